package codec

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"

	"bluefringe/device/event"
)

// collect gathers what a decoder emits; "!" and the error for what is lost.
type collect struct{ lines []string }

func (c *collect) emit(line []byte, err error) error {
	if err != nil {
		c.lines = append(c.lines, "!"+err.Error())
		return nil
	}
	c.lines = append(c.lines, string(line))
	return nil
}

// spectra returns the counts of the spectrum lines and the number of faults.
func (c *collect) spectra(t testing.TB) (counts []event.Values, faults int) {
	t.Helper()
	for _, line := range c.lines {
		if strings.HasPrefix(line, "!") {
			faults++
			continue
		}
		e, err := event.Decode([]byte(line))
		if errors.Is(err, event.ErrBlank) {
			continue
		}
		if err != nil {
			t.Fatalf("a codec gave %.80q: %v", line, err)
		}
		if s, ok := e.Body.(event.Spectrum); ok {
			counts = append(counts, s.Counts)
		}
	}
	return counts, faults
}

// clock counts up by one a call.
func clock() func() float64 {
	s := 0.0
	return func() float64 { s++; return s }
}

func decoder(t testing.TB, codec, pixel string, pixels int) Decoder {
	t.Helper()
	d, err := New(Config{Codec: codec, Pixel: pixel, Spectra: Spectra{Channel: "vis", Site: "ne", Pixels: pixels, ClockS: clock()}})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// feed gives text to a decoder in chunks.
func feed(t testing.TB, d Decoder, text []byte, size int) collect {
	t.Helper()
	var got collect
	for chunk := range slices.Chunk(text, size) {
		if err := d.Feed(chunk, got.emit); err != nil {
			t.Fatal(err)
		}
	}
	return got
}

func TestNew(t *testing.T) {
	good := Spectra{Channel: "vis", Pixels: 2, ClockS: clock()}
	tests := []struct {
		config Config
		says   string
	}{
		{Config{Codec: "morse"}, "events, numbers, block"},
		{Config{Codec: "numbers", Spectra: Spectra{Pixels: 2, ClockS: clock()}}, "channel"},
		{Config{Codec: "numbers", Spectra: Spectra{Channel: "vis", ClockS: clock()}}, "0 pixels"},
		{Config{Codec: "numbers", Spectra: Spectra{Channel: "vis", Pixels: event.MaxPixels + 1, ClockS: clock()}}, "65537 pixels"},
		{Config{Codec: "block", Pixel: "uint16le", Spectra: Spectra{Channel: "vis", Pixels: 2}}, "clock"},
		{Config{Codec: "block", Pixel: "uint16", Spectra: good}, "uint16le, uint16be"},
	}
	for _, tt := range tests {
		if _, err := New(tt.config); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%+v: got %v", tt.config, err)
		}
	}
	for _, name := range Names() {
		if _, err := New(Config{Codec: name, Pixel: "int16be", Spectra: good}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Whatever the chunks, the same lines come out: split and merged writes.
func TestChunks(t *testing.T) {
	numbers := "9,9\r\n1, 2\r\n\r\n3;4\n5\t6\n7 8,\n7,8\nx,1\n1,2,3\n"
	block := "\n#14\x01\x00\x02\x00\n#14\x03\x00\x04\x00\r\nnoise#14\x05\x00\x06\x00\n#12\x01\x00\n#14\x07\x00\x08\x00\n#"
	events := "{\"type\":\"end\",\"time_s\":1}\n\ngarbage\r\n{\"type\":\"end\",\"time_s\":2} 00000000\n"
	tests := []struct {
		name, codec, text string
		spectra           []event.Values
		faults            int
	}{
		{"numbers", "numbers", numbers, []event.Values{{1, 2}, {3, 4}, {5, 6}, {7, 8}}, 3},
		{"block", "block", block, []event.Values{{1, 2}, {3, 4}, {5, 6}, {7, 8}}, 2},
	}
	for _, tt := range tests {
		want := feed(t, decoder(t, tt.codec, "uint16le", 2), []byte(tt.text), len(tt.text))
		counts, faults := want.spectra(t)
		if !slices.EqualFunc(counts, tt.spectra, slices.Equal[event.Values]) || faults != tt.faults {
			t.Errorf("%s: got %q", tt.name, want.lines)
		}
		for size := 1; size < len(tt.text); size++ {
			if got := feed(t, decoder(t, tt.codec, "uint16le", 2), []byte(tt.text), size); len(got.lines) != len(want.lines) {
				t.Fatalf("%s in chunks of %d: got %q, want %q", tt.name, size, got.lines, want.lines)
			}
		}
	}
	got := feed(t, Events(), []byte(events), 7)
	if want := strings.Split(strings.TrimSuffix(events, "\n"), "\n"); !slices.Equal(got.lines, want) {
		t.Errorf("event lines came out as %q", got.lines)
	}
}

// A line says which channel, site and time it is of.
func TestLine(t *testing.T) {
	got := feed(t, decoder(t, "numbers", "", 2), []byte("\n1.5,-2e3\n"), 3)
	if want := []string{`{"type":"spectrum","time_s":1,"channel":"vis","site":"ne","counts":[1.5,-2000]}`}; !slices.Equal(got.lines, want) {
		t.Errorf("got %q", got.lines)
	}
	d, err := New(Config{Codec: "block", Pixel: "float32be", Spectra: Spectra{Channel: "vis", Reflectance: true, Pixels: 2, ClockS: clock()}})
	if err != nil {
		t.Fatal(err)
	}
	got = feed(t, d, []byte("#18\x3e\x80\x00\x00\x7f\xc0\x00\x00\n"), 100) // 0.25 and NaN
	if want := []string{`{"type":"spectrum","time_s":1,"channel":"vis","reflectance":[0.25,null]}`}; !slices.Equal(got.lines, want) {
		t.Errorf("got %q", got.lines)
	}
}

func TestNumbers(t *testing.T) {
	tests := []struct {
		line string
		want event.Values
		says string
	}{
		{"1,2,3", event.Values{1, 2, 3}, ""},
		{" 1 ,\t2 , 3 ,\r", event.Values{1, 2, 3}, ""},
		{"1;2; 3;", event.Values{1, 2, 3}, ""},
		{"1\t2  3", event.Values{1, 2, 3}, ""},
		{"+1.5 -.5 1e3 2E-2", event.Values{1.5, -.5, 1000, .02}, ""},
		{"42", event.Values{42}, ""},
		{"1,5;2,5", nil, "decimal point"},
		{"1,5 2,5", nil, "decimal point"},
		{"1,5\t2,5", nil, "decimal point"},
		{"1;2 3", nil, `value 2 is "2 3"`},
		{"1,,2", nil, `value 2 is ""`},
		{",1", nil, `value 1 is ""`},
		{"1,2,,", nil, `value 3 is ""`},
		{",", nil, `value 1 is ""`},
		{"", nil, "blank"},
		{"1,nan", nil, `"nan": a number`},
		{"inf", nil, "a number"},
		{"0x10", nil, "a number"},
		{"1_000", nil, "a number"},
		{"1e999", nil, "finite"},
		{"1-2", nil, "finite"},
		{"a\x1b[2J", nil, `"a\x1b[2J"`},
		{strings.Repeat("1,", event.MaxPixels+1), nil, "65537 values"},
		{strings.Repeat("1 ", event.MaxPixels+1), nil, "65537 values"},
	}
	for _, tt := range tests {
		got, err := Numbers([]byte(tt.line))
		if tt.says == "" {
			if err != nil || !slices.Equal(got, tt.want) {
				t.Errorf("%.40q: got %v, %v", tt.line, got, err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), tt.says) || !errors.Is(err, ErrNumbers) && !errors.Is(err, ErrPixels) {
			t.Errorf("%.40q: got %v, %v, want %q", tt.line, got, err, tt.says)
		}
	}
}

// An integer of decimal commas between commas has twice the values.
func TestDecimalCommaHint(t *testing.T) {
	got := feed(t, decoder(t, "numbers", "", 2), []byte("\n1,5,2,5\n1,2,3\n"), 100)
	if len(got.lines) != 2 || !strings.Contains(got.lines[0], "decimal sign") || strings.Contains(got.lines[1], "decimal sign") {
		t.Errorf("got %q", got.lines)
	}
}

// What may have begun before the port was opened is dropped, also after a line
// that was too long, and after a gap.
func TestNumbersFirstLine(t *testing.T) {
	d := decoder(t, "numbers", "", 2)
	long := slices.Concat(bytes.Repeat([]byte("1"), event.MaxLineBytes+9), []byte(",2\n3,4\n5,"))
	got := feed(t, d, long, 1<<16)
	if err := d.End(got.emit); err != nil {
		t.Fatal(err)
	}
	_ = d.Feed([]byte("55,6\n7,8\n"), got.emit)
	counts, _ := got.spectra(t)
	if !slices.EqualFunc(counts, []event.Values{{3, 4}, {7, 8}}, slices.Equal[event.Values]) {
		t.Errorf("got %q", got.lines)
	}
	if !slices.ContainsFunc(got.lines, func(l string) bool { return strings.Contains(l, "torn: its 2 bytes") }) {
		t.Errorf("the torn line is not told: %q", got.lines)
	}
}

// Each pixel type, with the bytes written out by hand.
func TestPixelTypes(t *testing.T) {
	tests := map[string]struct {
		bytes string
		want  event.Values
	}{
		"uint16le":  {"\x34\x12\xff\xff", event.Values{0x1234, 65535}},
		"uint16be":  {"\x12\x34\xff\xff", event.Values{0x1234, 65535}},
		"int16le":   {"\x34\x12\xff\xff", event.Values{0x1234, -1}},
		"int16be":   {"\x12\x34\x80\x00", event.Values{0x1234, -32768}},
		"uint32le":  {"\x78\x56\x34\x12\xff\xff\xff\xff", event.Values{0x12345678, 4294967295}},
		"uint32be":  {"\x12\x34\x56\x78\xff\xff\xff\xff", event.Values{0x12345678, 4294967295}},
		"int32le":   {"\x78\x56\x34\x12\xff\xff\xff\xff", event.Values{0x12345678, -1}},
		"int32be":   {"\x12\x34\x56\x78\x80\x00\x00\x00", event.Values{0x12345678, -2147483648}},
		"float32le": {"\x00\x00\xc0\x3f\x00\x00\x00\xc0", event.Values{1.5, -2}}, // IEEE 754: 0x3fc00000, 0xc0000000
		"float32be": {"\x3f\xc0\x00\x00\xc0\x00\x00\x00", event.Values{1.5, -2}},
	}
	for _, name := range PixelTypes() {
		tt, ok := tests[name]
		if !ok {
			t.Errorf("%s is not tested", name)
			continue
		}
		text := fmt.Sprintf("#%d%d%s\n", 1, len(tt.bytes), tt.bytes)
		got := feed(t, decoder(t, "block", name, 2), []byte(text), 3)
		counts, faults := got.spectra(t)
		if faults != 0 || len(counts) != 1 || !slices.Equal(counts[0], tt.want) {
			t.Errorf("%s: got %q", name, got.lines)
		}
	}
	if v := float(math.Float32bits(float32(math.Inf(1)))); !math.IsNaN(v) {
		t.Errorf("infinity became %g", v)
	}
}

// IEEE 488.2-1992, 8.7.9 (from memory): a block of definite length is '#', one digit, as many
// digits, and bytes; leading zeros are digits like others. "#0" begins an indefinite one.
func TestBlockHeaders(t *testing.T) {
	tests := map[string]string{
		"#14abcd\n":         "",
		"#9000000004abcd\n": "",
		"#3004abcd\r\n":     "",
		"#0abcd\n":          "definite length", // indefinite length
		"#1xabcd\n":         "as many digits",
		"#18abcdabcd\n":     "8 bytes",
		"#14abcdX\n":        "line feed",
	}
	for text, says := range tests {
		d := decoder(t, "block", "uint16le", 2)
		got := feed(t, d, []byte("#14good\n"+text+"#14good\n"), 5)
		counts, faults := got.spectra(t)
		want := 3
		if says != "" {
			want = 2
		}
		if len(counts) != want || faults != 3-want {
			t.Errorf("%q: got %q", text, got.lines)
		} else if says != "" && !strings.Contains(got.lines[1], says) {
			t.Errorf("%q: told as %q", text, got.lines[1])
		}
	}
}

// Bytes lost inside a block: neither it nor a shifted mixture comes out, and the
// next block does.
func TestBlockLosesBytes(t *testing.T) {
	const pixels = 64
	source := rand.New(rand.NewPCG(1, 2))
	for trial := range 2000 {
		var stream []byte
		var want []event.Values
		lost := 1 + source.IntN(pixels)
		for i := range 3 {
			data := make([]byte, 2*pixels)
			for k := range data {
				data[k] = byte(source.Uint32())
				if source.IntN(3) == 0 {
					data[k] = '\n'
				}
			}
			block := slices.Concat([]byte("#3128"), data, []byte("\n"))
			if i == 1 {
				cut := 5 + source.IntN(2*pixels-lost)
				block = slices.Delete(block, cut, cut+lost)
			} else {
				p, _ := findPixelType("uint16le")
				want = append(want, p.values(data))
			}
			stream = append(stream, block...)
		}
		got := feed(t, decoder(t, "block", "uint16le", pixels), stream, 1+source.IntN(200))
		counts, faults := got.spectra(t)
		if !slices.EqualFunc(counts, want, slices.Equal[event.Values]) || faults == 0 {
			t.Fatalf("trial %d, %d bytes lost: %d spectra, %d faults", trial, lost, len(counts), faults)
		}
	}
}

// Wrong baud: random bytes. Nothing comes out, faults stay few, memory too, and the
// first good message after them is found.
func TestRandomBytes(t *testing.T) {
	const size = 10 << 20
	source := rand.NewChaCha8([32]byte{7})
	good := map[string]string{
		"events":  "\n{\"type\":\"spectrum\",\"time_s\":1,\"channel\":\"vis\",\"counts\":[1,2]}\n",
		"numbers": "\n1,2\n",
		"block":   "\n#14\x01\x00\x02\x00\n",
	}
	for _, name := range Names() {
		d := decoder(t, name, "uint16le", 2)
		valid, faults := 0, 0
		emit := func(line []byte, err error) error {
			if err == nil {
				_, err = event.Decode(line)
			}
			switch {
			case err == nil:
				valid++
			case !errors.Is(err, event.ErrBlank):
				faults++
			}
			return nil
		}
		chunk := make([]byte, 32<<10)
		for range size / len(chunk) {
			source.Read(chunk)
			if err := d.Feed(chunk, emit); err != nil {
				t.Fatal(err)
			}
		}
		// Two pixels of noise behind "#14" and before a line feed are a block to all that
		// can be known; it takes 2^-32 of luck a byte.
		if valid != 0 || faults == 0 || faults > size/100 {
			t.Errorf("%s: %d messages and %d faults in %d random bytes", name, valid, faults, size)
		}
		_ = d.Feed([]byte(good[name]), emit)
		if valid != 1 {
			t.Errorf("%s: the first message after the noise is lost", name)
		}
	}
}

// 10 MB without a line feed are dropped and told, in bounded memory.
func TestEndlessLine(t *testing.T) {
	for _, name := range Names() {
		for _, fill := range []string{"1", "#", "#9999999999", "1,"} {
			d := decoder(t, name, "uint16le", 2)
			var got collect
			_ = d.Feed([]byte("\n"), got.emit)
			chunk := bytes.Repeat([]byte(fill), 32<<10/len(fill))
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			for sent := 0; sent < 10<<20; sent += len(chunk) {
				if err := d.Feed(chunk, got.emit); err != nil {
					t.Fatal(err)
				}
			}
			runtime.ReadMemStats(&after)
			if grown := after.TotalAlloc - before.TotalAlloc; grown > 8*event.MaxLineBytes {
				t.Errorf("%s: allocated %d bytes", name, grown)
			}
			counts, faults := got.spectra(t)
			if len(counts) != 0 || faults == 0 || faults > 10<<20/retellBytes+1 {
				t.Errorf("%s, %q: %d spectra, %d faults", name, fill, len(counts), faults)
			}
		}
	}
}

func TestEmitErrorStops(t *testing.T) {
	stop := errors.New("stop")
	for name, text := range map[string]string{"events": "a\nb\n", "numbers": "\n1,2\n3,4\n", "block": "#14abcd\n#14abcd\n"} {
		calls := 0
		d := decoder(t, name, "uint16le", 2)
		if err := d.Feed([]byte(text), func([]byte, error) error { calls++; return stop }); err != stop || calls != 1 {
			t.Errorf("%s: got %v after %d calls", name, err, calls)
		}
	}
}

func TestEnd(t *testing.T) {
	tests := []struct {
		codec, text string
		want        []string // by beginning
	}{
		{"events", `{"type":"end","time_s":1}`, []string{`{"type":"end"`}},
		{"events", `{"type":"end","ti`, []string{"!the last line is torn"}},
		{"events", " \r", nil},
		{"numbers", "1,2\n3,4", []string{"!the last line is torn: its 3"}},
		{"numbers", "1,2", nil},
		{"block", "#14abcd\n#14ab", []string{`{"type":"spectrum"`, "!the last line is torn: its 5"}},
		{"block", "#14ab", nil},
	}
	for _, tt := range tests {
		d := decoder(t, tt.codec, "uint16le", 2)
		got := feed(t, d, []byte(tt.text), 4)
		for range 2 { // the second End has nothing to say
			if err := d.End(got.emit); err != nil {
				t.Fatal(err)
			}
		}
		if !slices.EqualFunc(got.lines, tt.want, strings.HasPrefix) {
			t.Errorf("%s, %q: got %q", tt.codec, tt.text, got.lines)
		}
	}
}

func TestCommand(t *testing.T) {
	tests := []struct{ text, want string }{
		{`READ?\r\n`, "READ?\r\n"},
		{"READ?\r\n", "READ?\r\n"},
		{`\\\t\x00\xfF`, "\\\t\x00\xff"},
		{strings.Repeat("x", 256), strings.Repeat("x", 256)},
	}
	for _, tt := range tests {
		if got, err := Command(tt.text); err != nil || string(got) != tt.want {
			t.Errorf("%q: got %q, %v", tt.text, got, err)
		}
	}
	for _, text := range []string{"", `\`, `\q`, `\x`, `\x1`, `\xg0`, `\x+1`, strings.Repeat("x", 257)} {
		if got, err := Command(text); err == nil {
			t.Errorf("%q: got %q", text, got)
		}
	}
}
