package device

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience bounds how long a test waits for something that must come.
const patience = 20 * time.Second

// sink collects what a source emits.
type sink struct {
	mu    sync.Mutex
	lines []string // "!" and the error for a lost line
	news  chan struct{}
}

func newSink() *sink { return &sink{news: make(chan struct{}, 1)} }

func (s *sink) emit(l Line) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	text := string(l.Text)
	if l.Err != nil {
		text = "!" + l.Err.Error()
	}
	s.lines = append(s.lines, text)
	select {
	case s.news <- struct{}{}:
	default:
	}
	return nil
}

func (s *sink) all() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.lines)
}

// await waits until the sink holds n lines.
func (s *sink) await(t *testing.T, n int) []string {
	t.Helper()
	deadline := time.After(patience)
	for {
		if got := s.all(); len(got) >= n {
			return got
		}
		select {
		case <-s.news:
		case <-deadline:
			t.Fatalf("waited for %d lines, got %q", n, s.all())
		}
	}
}

// start runs a source; the channel gives Run's error.
func start(ctx context.Context, src Source, emit func(Line) error) <-chan error {
	done := make(chan error, 1)
	go func() { done <- src.Run(ctx, emit) }()
	return done
}

// result waits for the end of a run.
func result(t *testing.T, done <-chan error) error {
	t.Helper()
	select {
	case err := <-done:
		return err
	case <-time.After(patience):
		t.Fatal("the source did not end")
		return nil
	}
}

// note is an event line whose number tells it from others.
func note(n int) string { return fmt.Sprintf(`{"type":"note","time_s":%d,"text":"n"}`, n) }

func notes(n int) (lines []string) {
	for i := range n {
		lines = append(lines, note(i))
	}
	return lines
}

// has tells whether a line holds a part.
func has(lines []string, part string) bool {
	return slices.ContainsFunc(lines, func(l string) bool { return strings.Contains(l, part) })
}
