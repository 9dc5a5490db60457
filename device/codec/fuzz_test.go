package codec

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"testing"

	"bluefringe/device/event"
)

// fuzzStream checks what holds for every decoder and any bytes: each line is a valid
// event of the right shape, chunks do not matter, and after End all begins anew.
func fuzzStream(t *testing.T, make func() Decoder, text []byte, size int) {
	run := func(d Decoder, size int) (got collect, failed bool) {
		for chunk := range slices.Chunk(text, size) {
			if err := d.Feed(chunk, got.emit); err != nil {
				return got, true
			}
		}
		if err := d.End(got.emit); err != nil {
			t.Fatal(err)
		}
		return got, false
	}
	whole, wholeFailed := run(make(), max(1, len(text)))
	pieces, piecesFailed := run(make(), 1+size%64)
	if wholeFailed != piecesFailed || len(whole.lines) != len(pieces.lines) {
		t.Fatalf("whole %q (%v), in pieces %q (%v)", whole.lines, wholeFailed, pieces.lines, piecesFailed)
	}
	good := func(c collect) (lines []string) {
		for _, line := range c.lines {
			if line == "" || line[0] != '!' {
				lines = append(lines, line)
			}
		}
		return lines
	}
	if a, b := good(whole), good(pieces); !slices.Equal(a, b) {
		t.Fatalf("whole %q, in pieces %q", a, b)
	}
}

// checkLines decodes what a codec of two pixels gave.
func checkLines(t *testing.T, c collect, pixels int) {
	for _, line := range c.lines {
		if line != "" && line[0] == '!' {
			continue
		}
		e, err := event.Decode([]byte(line))
		if err != nil {
			t.Fatalf("gave %q: %v", line, err)
		}
		if s, ok := e.Body.(event.Spectrum); ok && pixels > 0 && len(s.Counts) != pixels {
			t.Fatalf("gave %d pixels", len(s.Counts))
		}
	}
}

func FuzzEvents(f *testing.F) {
	f.Add([]byte("{\"type\":\"end\",\"time_s\":1}\nx\r\n\n{\"type\":\"end\",\"time_s\":2}"), 3)
	f.Fuzz(func(t *testing.T, text []byte, size int) {
		fuzzStream(t, Events, text, max(0, size))
	})
}

func FuzzNumbers(f *testing.F) {
	f.Add([]byte("x\n1,2\n3;4\r\n5 6\n7,8"), 3)
	f.Add([]byte("\n1,5;2,5\n1,,2\n.5 +1e3\n1e999,2\n"), 1)
	f.Fuzz(func(t *testing.T, text []byte, size int) {
		fuzzStream(t, func() Decoder { return decoder(t, "numbers", "", 2) }, text, max(0, size))
		checkLines(t, feed(t, decoder(t, "numbers", "", 2), text, 64), 2)
		values, err := Numbers(text)
		if err != nil {
			return
		}
		for _, v := range values {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("%q gave %v", text, values)
			}
		}
		// What was read reads the same with any separator.
		for _, separator := range []string{",", ";", "\t"} {
			var line []byte
			for _, v := range values {
				line = fmt.Appendf(line, "%g%s", v, separator)
			}
			if again, err := Numbers(line); err != nil || !slices.Equal(again, values) {
				t.Fatalf("%q gave %v, and %q gave %v, %v", text, values, line, again, err)
			}
		}
	})
}

// FuzzBlock: any bytes, and every intact block without a '#' in it or before it
// comes out, whatever the chunks.
func FuzzBlock(f *testing.F) {
	f.Add([]byte("#14\x01\x00\x02\x00\n"), []byte("noise"), []byte("\x01\x02\x03\x04"), 3)
	f.Add([]byte("#14abc"), []byte("\n"), []byte("\n#14"), 1)
	f.Add([]byte("#0#9999999999#14abcd\r\n"), []byte("\r\n\n"), []byte("####"), 2)
	f.Fuzz(func(t *testing.T, any, noise, data []byte, size int) {
		size = max(0, size)
		fuzzStream(t, func() Decoder { return decoder(t, "block", "int16be", 2) }, any, size)
		checkLines(t, feed(t, decoder(t, "block", "int16be", 2), any, 64), 2)

		noise = bytes.ReplaceAll(noise, []byte{'#'}, []byte{'x'})
		data = bytes.ReplaceAll(append(data, 0, 0, 0, 0)[:4], []byte{'#'}, []byte{'x'})
		stream := bytes.Repeat(slices.Concat(noise, []byte("#14"), data, []byte("\n")), 3)
		got := feed(t, decoder(t, "block", "int16be", 2), stream, 1+size%64)
		counts, _ := got.spectra(t)
		p, _ := findPixelType("int16be")
		if len(counts) != 3 || !slices.Equal(counts[2], p.values(data)) {
			t.Fatalf("noise %q, data %q: got %q", noise, data, got.lines)
		}
	})
}

func FuzzWide(f *testing.F) {
	f.Add([]byte("time_s,400,500\n1,2,3\n2,3,4\n2,3"), 3)
	f.Add([]byte("\ufeff# x\n400;500\n1;2\n"), 1)
	f.Fuzz(func(t *testing.T, text []byte, size int) {
		fuzzStream(t, func() Decoder { return wide(t, 0) }, text, max(0, size))
		var got collect
		d := wide(t, 0)
		_ = d.Live(got.emit)
		_ = d.Feed(text, got.emit)
		checkLines(t, got, 0)
		last := math.Inf(-1)
		for _, line := range got.lines {
			if e, err := event.Decode([]byte(line)); err == nil {
				if timeS, ok := e.Time(); ok && timeS < last {
					t.Fatalf("time ran back: %q", got.lines)
				} else if ok {
					last = timeS
				}
			}
		}
	})
}

func FuzzPairs(f *testing.F) {
	f.Add([]byte("nm,counts\n400,1\n500,2\n"))
	f.Add([]byte("# x\r\n500\t1.5\r\n400\t2"))
	f.Fuzz(func(t *testing.T, text []byte) {
		nm, values, err := Pairs(text)
		if err != nil {
			return
		}
		var again []byte
		for i := range nm {
			again = fmt.Appendf(again, "%g\t%g\n", nm[i], values[i])
		}
		nm2, values2, err := Pairs(again)
		if err != nil || !slices.Equal(nm, nm2) || !slices.Equal(values, values2) {
			t.Fatalf("%q gave %v and %v, and then %v and %v, %v", text, nm, values, nm2, values2, err)
		}
	})
}

func FuzzCommand(f *testing.F) {
	f.Add(`READ?\r\n\x00`)
	f.Fuzz(func(t *testing.T, text string) {
		if got, err := Command(text); err == nil && (len(got) == 0 || len(got) > MaxCommandBytes || len(got) > len(text)) {
			t.Fatalf("%q gave %q", text, got)
		}
	})
}
