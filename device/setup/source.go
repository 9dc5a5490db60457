package setup

import (
	"slices"
	"strings"

	"bluefringe/device/codec"
	"bluefringe/device/event"
)

// Serial is how an instrument on a serial port speaks.
type Serial struct {
	Baud      int     `toml:"baud"`
	DataBits  int     `toml:"data_bits"`
	Parity    string  `toml:"parity"`
	StopBits  float64 `toml:"stop_bits"`
	Reconnect bool    `toml:"reconnect"` // try again when the port goes away

	Codec   string `toml:"codec"`   // one of codec.Names
	Pixel   string `toml:"pixel"`   // one of codec.PixelTypes; for block
	Channel string `toml:"channel"` // of the spectra; "": the only one of the set-up
	Site    string `toml:"site"`
	Values  string `toml:"values"` // "counts" or "reflectance"

	Poll      string  `toml:"poll"` // sent at every interval, see codec.Command; "": nothing is
	IntervalS float64 `toml:"interval_s"`
}

// Files is how spectra lie in files: a table that grows, or a folder that fills.
type Files struct {
	Format  string `toml:"format"` // of a growing file: "events" or "wide"
	Channel string `toml:"channel"`
	Site    string `toml:"site"`
	Values  string `toml:"values"` // "counts" or "reflectance"

	Pattern   string  `toml:"pattern"`     // of the names in a folder
	Time      string  `toml:"time"`        // of a file in a folder: "modified" or "name"
	NameStepS float64 `toml:"name_step_s"` // seconds that the number in a name counts in
	SettleS   float64 `toml:"settle_s"`    // how long a file stays unchanged before it is read
}

func defaultSerial() Serial {
	return Serial{Baud: 115200, DataBits: 8, Parity: "none", StopBits: 1, Reconnect: true, Codec: "events", Values: "counts", IntervalS: 1}
}

func defaultFiles() Files {
	return Files{Format: "events", Channel: "vis", Values: "counts", Pattern: "*", Time: "modified", NameStepS: 1, SettleS: 0.5}
}

// sourceSchema lists the keys of both.
func sourceSchema() []field {
	return []field{
		{path: "serial", kind: table},
		{"serial.baud", whole, from(1, 100e6), "1 to 100000000"},
		{"serial.data_bits", whole, from(5, 8), "5 to 8"},
		oneOf("serial.parity", "none", "odd", "even", "mark", "space"),
		{"serial.stop_bits", number, func(v any) bool { x := float(v); return x == 1 || x == 1.5 || x == 2 }, "1, 1.5 or 2"},
		{path: "serial.reconnect", kind: truth},
		oneOf("serial.codec", codec.Names()...),
		oneOf("serial.pixel", codec.PixelTypes()...),
		{"serial.channel", text, eventName, "a name of up to 64 bytes"},
		{"serial.site", text, eventName, "a name of up to 64 bytes"},
		oneOf("serial.values", "counts", "reflectance"),
		{"serial.poll", text, isCommand, `1 to 256 bytes, with \r \n \t \\ \xHH for bytes,`},
		{"serial.interval_s", number, from(0.01, 3600), "0.01 to 3600 s"},

		{path: "files", kind: table},
		oneOf("files.format", "events", "wide"),
		{"files.channel", text, eventName, "a name of up to 64 bytes"},
		{"files.site", text, eventName, "a name of up to 64 bytes"},
		oneOf("files.values", "counts", "reflectance"),
		{"files.pattern", text, filled, "a pattern such as *.txt"},
		oneOf("files.time", "modified", "name"),
		{"files.name_step_s", number, above(0, 3600), "above 0 and up to 3600 s"},
		{"files.settle_s", number, from(0.05, 60), "0.05 to 60 s"},
	}
}

func eventName(v any) bool { return filled(v) && len(v.(string)) <= event.MaxNameBytes }

func isCommand(v any) bool {
	_, err := codec.Command(v.(string))
	return err == nil
}

// SpectraChannel returns the channel of the spectra on the serial line: the one
// named, else the only one of the set-up; "" when there is none.
func (s Setup) SpectraChannel() string {
	if known := s.WithWavelengths(); s.Serial.Channel == "" && len(known) == 1 {
		return known[0]
	}
	return s.Serial.Channel
}

// WithWavelengths names, in order, the channels whose wavelengths the set-up gives. The
// others have a mask alone.
func (s Setup) WithWavelengths() []string {
	var names []string
	for name, ch := range s.Channels {
		if ch.HasWavelengths() {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// sources checks what keys of a source need of each other.
func (c *checker) sources(s Setup) {
	if s.Serial.Codec == "block" && s.Serial.Pixel == "" {
		c.add("serial.codec", "found block without pixel: one of %s is needed", strings.Join(codec.PixelTypes(), ", "))
	}
	if s.Serial.Codec == "events" {
		return
	}
	channels := s.WithWavelengths()
	known := strings.Join(channels, ", ")
	switch name := s.SpectraChannel(); {
	case known == "":
		c.add("serial.codec", "found %s without [channels]: the wavelengths of a channel are needed", s.Serial.Codec)
	case name == "":
		c.add("serial.codec", "found no serial.channel: one of %s is needed", known)
	default:
		if !slices.Contains(channels, name) {
			c.add("serial.channel", "found %s: one of %s is allowed", show(name), known)
		}
	}
}
