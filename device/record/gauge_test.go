package record

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestGauge(t *testing.T) {
	const mb = 1 << 20
	free, known := uint64(100<<30), true
	g := gauge{free: func() (uint64, bool) { return free, known }}
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	look := func(after time.Duration, written int64) string {
		now = now.Add(after)
		return g.look(now, written)
	}
	for i, step := range []struct {
		after   time.Duration
		free    uint64
		written int64
		says    string
	}{
		{0, 100 << 30, 0, ""},
		{time.Second, 1, 0, ""}, // not looked at so soon
		{time.Minute, 100 << 30, 60 * mb, ""},
		{time.Minute, 900 * mb, 60 * mb, "900 MB of room left, for about 30m0s at the present rate"}, // below an hour: the second stage at once
		{time.Minute, 800 * mb, 60 * mb, ""},
		{time.Minute, 60 * mb, 60 * mb, "60 MB"},
		{time.Minute, 50 * mb, 60 * mb, ""},
		{time.Minute, 100 << 30, 60 * mb, ""},
	} {
		free = step.free
		if got := look(step.after, step.written); !strings.HasPrefix(got, step.says) || (step.says == "") != (got == "") {
			t.Errorf("%d: got %q, want %q", i, got, step.says)
		}
	}
	// Full in two hours, with much room: said early.
	g = gauge{free: func() (uint64, bool) { return 7200 * 10 * mb, true }}
	g.look(now, 0)
	if got := g.look(now.Add(time.Minute), 600*mb); !strings.Contains(got, "2h0m0s") {
		t.Errorf("got %q", got)
	}
	known = false
	g = gauge{free: func() (uint64, bool) { return 0, known }}
	if got := g.look(now, 0) + (&gauge{}).look(now, 0); got != "" {
		t.Errorf("nothing known: %q", got)
	}
}

func TestFreeBytes(t *testing.T) {
	if free, ok := freeBytes(t.TempDir()); ok && free == 0 {
		t.Error("no room, and yet there is a folder")
	}
	if _, ok := freeBytes("no such folder"); ok {
		t.Error("a folder that does not exist has room")
	}
}

// The operator is told at once: when the disk is low, when it refuses, when it takes
// lines again, and what was lost.
func TestNews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{room: 0}
		r := start("r", d, 1000, gauge{free: func() (uint64, bool) { return 10 << 20, true }})
		told := func() string {
			synctest.Wait()
			all := ""
			for {
				select {
				case text := <-r.News():
					all += text + "\n"
				default:
					return all
				}
			}
		}
		if got := told(); got != "the disk of r has 10 MB of room left\n" {
			t.Errorf("low disk: %q", got)
		}
		for i := range 100 {
			r.Receive(fmt.Appendf(nil, "%099d", i), time.Now())
			synctest.Wait()
		}
		if got := told(); strings.Count(got, "NOT RECORDED") != 2 || !strings.Contains(got, errFull.Error()) {
			t.Errorf("full disk: %q", got)
		}
		d.setRoom(-1)
		time.Sleep(2 * time.Second)
		if got := told(); !strings.Contains(got, "recorded again, 91 lines were lost") {
			t.Errorf("room again: %q", got)
		}
		if err := r.Close(); err == nil {
			t.Error("lines were lost and Close says nothing")
		}
	})
}

// Times of receipt stand before lines that come 0.1 s apart or more, and never run back.
func TestTimesOfReceipt(t *testing.T) {
	d := &disk{room: -1}
	r := To("r", d)
	at := time.Date(2026, 3, 2, 9, 0, 0, 250e6, time.FixedZone("", 3600))
	for i, ms := range []int{0, 99, 100, 150, 300} {
		r.Receive(fmt.Append(nil, i), at.Add(time.Duration(ms)*time.Millisecond))
	}
	r.Append([]byte("own"))
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	stamp := func(s string) string { return `{"type":"received","at":"2026-03-02T08:00:00.` + s + `Z"}` + "\n" }
	want := stamp("250") + "0\n1\n" + stamp("350") + "2\n3\n" + stamp("550") + "4\nown\n"
	if text, _ := d.state(); text != want {
		t.Errorf("got\n%swant\n%s", text, want)
	}
	if s := r.Stats(); s.Lines != 6 || s.Written != 6 {
		t.Errorf("got %+v", s)
	}
}
