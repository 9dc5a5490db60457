package codec

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"bluefringe/device/event"
)

func wide(t testing.TB, pixels int) *Wide {
	t.Helper()
	d, err := NewWide(Spectra{Channel: "vis", Pixels: pixels, ClockS: clock()})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestWide(t *testing.T) {
	text := "\ufeff# made by hand\r\n\r\ntime_s, 400, 500.5\r\n0.5,1,2\n# a remark\n\n1,3,4\n1,3,4\n0.9,5,6\nx,7,8\n2,9\n2,9,10,11\n2,12,13\n3,1"
	want := []string{
		`{"type":"run","format":1,"channels":{"vis":{"wavelength_nm":[400,500.5]}}}`,
		`{"type":"spectrum","time_s":0.5,"channel":"vis","counts":[1,2]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[3,4]}`,
		"!time does not go on: found the spectrum of 1 s a second time",
		"!time does not go on: found 0.9 s behind 1 s",
		`!not a line of numbers: value 1 is "x"`,
		"!wrong number of pixels: found 1 values for 2",
		"!wrong number of pixels: found 3 values for 2",
		`{"type":"spectrum","time_s":2,"channel":"vis","counts":[12,13]}`,
		"!the last line is torn: its 3 bytes",
	}
	for size := 1; size < len(text); size++ {
		d := wide(t, 0)
		got := feed(t, d, []byte(text), size)
		if err := d.End(got.emit); err != nil {
			t.Fatal(err)
		}
		if !slices.EqualFunc(got.lines, want, strings.HasPrefix) {
			t.Fatalf("chunks of %d: got %q", size, got.lines)
		}
	}
}

// Rows that were there before and have no time are not given the time of reading.
func TestWideWithoutTimes(t *testing.T) {
	d := wide(t, 2)
	got := feed(t, d, []byte("400;500\n1;2\n3;4\n"), 5)
	for range 2 {
		if err := d.Live(got.emit); err != nil {
			t.Fatal(err)
		}
	}
	_ = d.Feed([]byte("5;6\n"), got.emit)
	want := []string{`{"type":"run"`, "!time does not go on: found 2 rows", `{"type":"spectrum","time_s":1,"channel":"vis","counts":[5,6]}`}
	if !slices.EqualFunc(got.lines, want, strings.HasPrefix) {
		t.Errorf("got %q", got.lines)
	}
}

// A table goes on in a new file with the same first row, or another.
func TestWideInNewFile(t *testing.T) {
	d := wide(t, 0)
	got := feed(t, d, []byte("time_s,400,500\n1,1,2\n2,3"), 100)
	_ = d.End(got.emit)
	_ = d.Feed([]byte("time_s,400,500\n2,3,4\n"), got.emit)
	_ = d.End(got.emit)
	_ = d.Feed([]byte("time_s,400,500,600\n3,4,5,6\n"), got.emit)
	want := []string{`{"type":"run"`, `{"type":"spectrum","time_s":1`, "!the last line is torn", `{"type":"spectrum","time_s":2`, `{"type":"run"`, `{"type":"spectrum","time_s":3`}
	if !slices.EqualFunc(got.lines, want, strings.HasPrefix) {
		t.Errorf("got %q", got.lines)
	}
}

func TestWideBadFirstRow(t *testing.T) {
	tests := []struct {
		text string
		want error
		says string
	}{
		{"date,400,500\n", ErrTable, `"date"`},
		{"400,400\n", ErrTable, "rising"},
		{"time_s\n", ErrPixels, "0 values"},
		{"400,5;500,5\n", ErrNumbers, "decimal point"},
		{"400,500,600\n", ErrPixels, "2 pixels"},
		{strings.Repeat("4", event.MaxLineBytes+1), event.ErrTooLong, "at most"},
	}
	for _, tt := range tests {
		var got collect
		err := wide(t, 2).Feed([]byte(tt.text), got.emit)
		if !errors.Is(err, tt.want) || !strings.Contains(err.Error(), tt.says) || len(got.lines) != 0 {
			t.Errorf("%.40q: got %v, %q", tt.text, err, got.lines)
		}
	}
	if _, err := NewWide(Spectra{Channel: "vis"}); err == nil {
		t.Error("a table without a clock was taken")
	}
}

func TestPairs(t *testing.T) {
	tests := []struct {
		text       string
		nm, values event.Values
		want       error
		says       string
	}{
		{text: "400,1\n500,2\n", nm: event.Values{400, 500}, values: event.Values{1, 2}},
		{text: "\ufeff# remark\r\nnm;counts\r\n500;1.5\r\n\r\n400;-2\r\n", nm: event.Values{500, 400}, values: event.Values{1.5, -2}},
		{text: "400\t1\n500\t2", nm: event.Values{400, 500}, values: event.Values{1, 2}},
		{text: "  400   1\n  500   2e3  \n", nm: event.Values{400, 500}, values: event.Values{1, 2000}},
		{text: "", want: ErrTable, says: "0 rows"},
		{text: "400,1\n", want: ErrTable, says: "1 rows"},
		{text: "400,1\n500,2,3\n", want: ErrTable, says: "line 2"},
		{text: "400,1\n500\n", want: ErrTable, says: "line 2"},
		{text: "400,1\nnm,counts\n", want: ErrNumbers, says: "line 2"},
		{text: "a\nb\n400,1\n500,2\n", want: ErrNumbers, says: "line 2"},
		{text: "400,5;1\n", want: ErrNumbers, says: "decimal point"},
		{text: "400,5\t1,5\n", want: ErrNumbers, says: "decimal point"},
		{text: "400,1\n500,2\n450,3\n", want: ErrTable, says: "rising"},
		{text: "400,1\n400,2\n", want: ErrTable, says: "rising"},
		{text: "-400,1\n400,2\n", want: ErrTable, says: "150 to 2600"},
		{text: strings.Repeat("x", event.MaxLineBytes+1), want: ErrTable, says: "bytes"},
	}
	for _, tt := range tests {
		nm, values, err := Pairs([]byte(tt.text))
		if tt.want == nil {
			if err != nil || !slices.Equal(nm, tt.nm) || !slices.Equal(values, tt.values) {
				t.Errorf("%.40q: got %v, %v, %v", tt.text, nm, values, err)
			}
			continue
		}
		if !errors.Is(err, tt.want) || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%.40q: got %v", tt.text, err)
		}
	}
}

func TestPairsBound(t *testing.T) {
	var text strings.Builder
	for range event.MaxPixels + 1 {
		text.WriteString("1 1\n")
	}
	if _, _, err := Pairs([]byte(text.String())); !errors.Is(err, ErrPixels) {
		t.Errorf("got %v", err)
	}
}
