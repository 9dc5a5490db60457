package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"sync"
	"time"
)

// meter tells on a terminal how far long work is. Any goroutine may add to it.
type meter struct {
	mu    sync.Mutex
	w     io.Writer
	shown bool
	what  string
	total float64
	done  float64
	began time.Time
	told  time.Time
	width int // of the text that stands there
}

func newMeter(st streams, what string, total float64) *meter {
	return &meter{w: st.err, shown: isTerminal(st.err), what: what, total: total, began: time.Now()}
}

const meterCells = 24

func (m *meter) add(amount float64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.done += amount
	now := time.Now()
	if !m.shown || now.Sub(m.began) < quietFor || now.Sub(m.told) < progressStep || !(m.done > 0) {
		return
	}
	m.told = now
	part := math.Min(1, m.done/m.total)
	left := time.Duration(float64(now.Sub(m.began)) * (1/part - 1)).Round(time.Second)
	cells := int(part * meterCells)
	text := fmt.Sprintf("bluefringe: %s [%s%s] %.0f %%, %s left", m.what, strings.Repeat("#", cells), strings.Repeat(".", meterCells-cells), 100*part, left)
	fmt.Fprintf(m.w, "\r%-*s", m.width, text)
	m.width = len(text)
}

func (m *meter) clear() {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.width > 0 {
		fmt.Fprintf(m.w, "\r%*s\r", m.width, "")
		m.width = 0
	}
}
