package device

import (
	"context"
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// list is a source of given lines.
type list []string

func (l list) Name() string { return "list" }

func (l list) Run(ctx context.Context, emit func(Line) error) error {
	for _, text := range l {
		if err := emit(Line{Text: []byte(text)}); err != nil {
			return err
		}
	}
	return nil
}

func TestPaced(t *testing.T) {
	lines := list{
		`{"type":"run","format":1}`, note(100), "garbage", note(101), note(104), note(102),
		`{"type":"end","time_s":104.5}`,
	}
	tests := []struct {
		name  string
		speed float64
		busyS float64 // how long the receiver takes for the line of 101 s
		want  []float64
	}{
		{"real time", 1, 0, []float64{0, 0, 0, 1, 4, 4, 4.5}},
		{"ten times", 10, 0, []float64{0, 0, 0, 0.1, 0.4, 0.4, 0.45}},
		{"slow", 0.5, 0, []float64{0, 0, 0, 2, 8, 8, 9}},
		{"no pacing", 0, 0, []float64{0, 0, 0, 0, 0, 0, 0}},
		{"as fast as possible", math.Inf(1), 0, []float64{0, 0, 0, 0, 0, 0, 0}},
		{"late receiver catches up", 1, 3.2, []float64{0, 0, 0, 1, 4.2, 4.2, 4.5}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				begun := time.Now()
				var at []float64
				err := Paced(lines, tt.speed).Run(t.Context(), func(l Line) error {
					at = append(at, time.Since(begun).Seconds())
					if string(l.Text) == note(101) {
						time.Sleep(seconds(tt.busyS))
					}
					return nil
				})
				if err != nil || !slices.Equal(at, tt.want) {
					t.Errorf("got %v, %v, want %v", at, err, tt.want)
				}
			})
		})
	}
}

// A gap of any length is left at once when ctx ends.
func TestPacedCancelled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		begun := time.Now()
		src := list{note(0), `{"type":"end","time_s":1e300}`}
		n := 0
		err := Paced(src, 1).Run(ctx, func(Line) error { n++; return nil })
		if err != context.DeadlineExceeded || n != 1 || time.Since(begun) != time.Minute {
			t.Errorf("got %v after %d lines and %v", err, n, time.Since(begun))
		}
	})
}

func TestPacedName(t *testing.T) {
	if got := Paced(list{}, 2).Name(); got != "list" {
		t.Errorf("got %q", got)
	}
}
