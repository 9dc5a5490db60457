package main

import (
	"context"
	"slices"
	"sync"
)

// mailbox carries items from the reader to the engine. A reader of a finished
// or growing file may wait; a live line may not: there the oldest spectrum that
// waits gives way to the newest and is counted.
type mailbox struct {
	lossless bool
	arrived  chan struct{} // capacity 1: something waits
	room     chan struct{} // capacity 1: something was taken

	mu      sync.Mutex
	items   []item
	skipped int
	ended   bool
	err     error // of the reader, once ended
}

// mailboxItems is about a minute of spectra at a fast rate.
const mailboxItems = 1024

func newMailbox(lossless bool) *mailbox {
	return &mailbox{lossless: lossless, arrived: make(chan struct{}, 1), room: make(chan struct{}, 1)}
}

// put adds an item. It waits only when the mailbox is lossless and full.
func (m *mailbox) put(ctx context.Context, it item) error {
	for !m.offer(it) {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-m.room:
		}
	}
	notify(m.arrived)
	return nil
}

func (m *mailbox) offer(it item) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.items) >= mailboxItems {
		if m.lossless {
			return false
		}
		oldest := max(0, slices.IndexFunc(m.items, item.isSpectrum))
		m.items = slices.Delete(m.items, oldest, oldest+1)
		m.skipped++
	}
	m.items = append(m.items, it)
	return true
}

// take empties the mailbox. ended tells that nothing will come after these, and err why
// the reader failed, if it did.
func (m *mailbox) take() (items []item, skipped int, ended bool, err error) {
	m.mu.Lock()
	items, m.items = m.items, nil
	skipped, ended, err = m.skipped, m.ended, m.err
	m.mu.Unlock()
	notify(m.room)
	return items, skipped, ended, err
}

// end tells the taker that nothing more will come, and why.
func (m *mailbox) end(err error) {
	m.mu.Lock()
	m.ended, m.err = true, err
	m.mu.Unlock()
	notify(m.arrived)
}

func notify(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
