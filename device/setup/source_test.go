package setup

import (
	"errors"
	"strings"
	"testing"

	"bluefringe/device/event"
)

const oneChannel = "[channels.vis]\nwavelength_nm = [400, 500]\n"

func TestSources(t *testing.T) {
	s, err := Parse("die.toml", []byte(oneChannel+`[serial]
baud = 921600
data_bits = 7
parity = "even"
stop_bits = 2
reconnect = false
codec = "block"
pixel = "int32be"
site = "ne"
values = "reflectance"
poll = 'FETC?\r\n'
interval_s = 0.2
[files]
format = "wide"
channel = "nir"
pattern = "*.txt"
time = "name"
name_step_s = 0.5
settle_s = 1
`))
	if err != nil {
		t.Fatal(err)
	}
	if want := (Serial{Baud: 921600, DataBits: 7, Parity: "even", StopBits: 2, Codec: "block", Pixel: "int32be", Site: "ne", Values: "reflectance", Poll: `FETC?\r\n`, IntervalS: 0.2}); s.Serial != want {
		t.Errorf("got %+v, want %+v", s.Serial, want)
	}
	if want := (Files{Format: "wide", Channel: "nir", Values: "counts", Pattern: "*.txt", Time: "name", NameStepS: 0.5, SettleS: 1}); s.Files != want {
		t.Errorf("got %+v, want %+v", s.Files, want)
	}
	if s.SpectraChannel() != "vis" {
		t.Errorf("the channel is %q", s.SpectraChannel())
	}
	if d := Default(); d.Serial != defaultSerial() || d.Files != defaultFiles() || d.SpectraChannel() != "" {
		t.Errorf("got %+v, %+v", d.Serial, d.Files)
	}
	ch := event.Channel{WavelengthNM: event.Values{400}}
	two := Setup{Channels: map[string]event.Channel{"a": ch, "b": ch}}
	if two.SpectraChannel() != "" {
		t.Error("one of two channels was taken")
	}
	two.Channels["b"] = event.Channel{MaskPixels: []int{1}} // its wavelengths come with the stream
	if two.SpectraChannel() != "a" {
		t.Error("a mask was taken for a channel")
	}
}

func TestSourceProblems(t *testing.T) {
	tests := []struct{ text, start, part string }{
		{"[serial]\nbaud = 0", "die.toml:2: serial.baud: found 0", "1 to"},
		{"[serial]\nbaud = 9600.5", "die.toml:2: serial.baud: found 9600.5", "whole"},
		{"[serial]\nparity = \"both\"", `die.toml:2: serial.parity: found "both"`, "none, odd, even, mark, space"},
		{"[serial]\nstop_bits = 3", "die.toml:2: serial.stop_bits: found 3", "1, 1.5 or 2"},
		{"[serial]\ndata_bits = 9", "die.toml:2: serial.data_bits: found 9", "5 to 8"},
		{"[serial]\nreconnect = 1", "die.toml:2: serial.reconnect: found 1", "true or false"},
		{"[serial]\ncodec = \"number\"", `die.toml:2: serial.codec: found "number"`, "events, numbers, block"},
		{"[serial]\npixel = \"uint16\"", `die.toml:2: serial.pixel: found "uint16"`, "uint16le"},
		{"[serial]\npoll = 'A\\q'", `die.toml:2: serial.poll: found `, "256"},
		{"[serial]\npoll = \"\"", `die.toml:2: serial.poll: found `, "256"},
		{"[serial]\ninterval_s = 0", "die.toml:2: serial.interval_s: found 0", "0.01"},
		{"[serial]\nbauds = 1", "die.toml:2: serial.bauds: found an unknown key", "serial.baud"},
		{"[serial]\ncodec = \"numbers\"", "die.toml:2: serial.codec: found numbers", "[channels]"},
		{oneChannel + "[serial]\ncodec = \"block\"", "die.toml:4: serial.codec: found block without pixel", "float32be"},
		{oneChannel + "[serial]\ncodec = \"numbers\"\nchannel = \"nir\"", `die.toml:5: serial.channel: found "nir"`, "vis"},
		{oneChannel + "[channels.nir]\nwavelength_nm = [1000, 1100]\n[serial]\ncodec = \"numbers\"", "die.toml:6: serial.codec: found no serial.channel", "nir, vis"},
		{"[files]\nformat = \"long\"", `die.toml:2: files.format: found "long"`, "wide"},
		{"[files]\ntime = \"now\"", `die.toml:2: files.time: found "now"`, "modified, name"},
		{"[files]\nsettle_s = 0", "die.toml:2: files.settle_s: found 0", "0.05"},
		{"[files]\nname_step_s = 0", "die.toml:2: files.name_step_s: found 0", "above 0"},
		{"[files]\nchannel = \"" + strings.Repeat("x", 65) + "\"", "die.toml:2: files.channel", "64"},
		{"[files]\nvalues = \"percent\"", "die.toml:2: files.values", "reflectance"},
	}
	for _, tt := range tests {
		_, err := Parse("die.toml", []byte(tt.text))
		var problems Problems
		if !errors.As(err, &problems) || len(problems) != 1 || !strings.HasPrefix(err.Error(), tt.start) || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%q: got %v", tt.text, err)
		}
	}
}
