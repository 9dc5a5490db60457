package main

import (
	"bytes"
	"fmt"
	"math"
	"path/filepath"
	"time"

	"bluefringe/device"
	"bluefringe/device/codec"
	"bluefringe/device/demo"
	"bluefringe/device/setup"

	"github.com/spf13/cobra"
)

// from is where a watch has its data from: flags that choose a source.
type from struct {
	serial, file, folder string
	stdin, demo          bool
	speed                string
	line                 device.LineConfig
	reconnect            bool
}

func (w *from) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	d := setup.Default().Serial
	f.StringVar(&w.serial, "serial", "", "serial `port` of the instrument; [serial] of the set-up says how it speaks")
	f.IntVar(&w.line.Baud, "baud", d.Baud, "speed of the serial port")
	f.IntVar(&w.line.DataBits, "data-bits", d.DataBits, "data bits of the serial port, 5 to 8")
	f.StringVar(&w.line.Parity, "parity", d.Parity, "parity of the serial port: none, odd, even, mark or space")
	f.Float64Var(&w.line.StopBits, "stop-bits", d.StopBits, "stop bits of the serial port: 1, 1.5 or 2")
	f.BoolVar(&w.reconnect, "reconnect", d.Reconnect, "try a serial port again that went away")
	f.StringVar(&w.file, "file", "", "`file` to follow as it grows, from its start: event lines, or what [files] of the set-up says")
	f.StringVar(&w.folder, "folder", "", "`folder` that fills with one two-column file a spectrum; see [files] of the set-up")
	f.BoolVar(&w.stdin, "stdin", false, "read event lines from standard input")
	f.BoolVar(&w.demo, "demo", false, "play an invented recorded run")
	f.StringVar(&w.speed, "speed", "1", "speed of the demo: 1 is real time, 10 ten times that, or max")
	cmd.MarkFlagsMutuallyExclusive("serial", "file", "folder", "stdin", "demo")
	cmd.MarkFlagsOneRequired("serial", "file", "folder", "stdin", "demo")
}

// open gives a session with its set-up the source. A flag given by hand goes before
// the set-up.
func (w *from) open(cmd *cobra.Command, s *session, st streams, asFastAsPossible bool) error {
	chosen := setup.Default()
	if s.setup != nil {
		chosen = *s.setup
	}
	// A source must not wait for a screen; what it says while that is far behind is lost.
	s.notices = make(chan string, 16)
	notice := func(text string) {
		select {
		case s.notices <- text:
		default:
		}
	}
	s.clock, s.lossless = 1, true
	var err error
	switch {
	case w.serial != "":
		s.lossless = false
		s.source, err = w.openSerial(cmd, chosen, notice)
	case w.file != "":
		s.source, err = w.openFile(chosen, notice)
	case w.folder != "":
		s.source, err = w.openFolder(chosen, notice)
	case w.stdin:
		s.source = device.Reader("standard input", st.in)
	default:
		return w.openDemo(s, asFastAsPossible)
	}
	return err
}

func (w *from) openSerial(cmd *cobra.Command, chosen setup.Setup, notice func(string)) (device.Source, error) {
	set := chosen.Serial
	line := device.LineConfig{Baud: set.Baud, DataBits: set.DataBits, Parity: set.Parity, StopBits: set.StopBits}
	reconnect := set.Reconnect
	for name, take := range map[string]func(){
		"baud":      func() { line.Baud = w.line.Baud },
		"data-bits": func() { line.DataBits = w.line.DataBits },
		"parity":    func() { line.Parity = w.line.Parity },
		"stop-bits": func() { line.StopBits = w.line.StopBits },
		"reconnect": func() { reconnect = w.reconnect },
	} {
		if cmd.Flags().Changed(name) {
			take()
		}
	}
	config := device.SerialConfig{Port: w.serial, Line: line, Reconnect: reconnect, Notice: notice,
		PollEvery: time.Duration(set.IntervalS * float64(time.Second))}
	if err := line.Check(); err != nil {
		return nil, usage(err)
	}
	var err error
	if set.Poll != "" {
		if config.Poll, err = codec.Command(set.Poll); err != nil {
			return nil, usage(fmt.Errorf("%s: serial.poll: %w", chosen.Name, err))
		}
	}
	spectra := codec.Spectra{Channel: chosen.SpectraChannel(), Site: set.Site, Reflectance: set.Values == "reflectance", ClockS: stopwatch()}
	if set.Codec != "events" {
		config.ClockS = spectra.ClockS
		if spectra.Pixels, err = pixels(chosen, spectra.Channel); err != nil {
			return nil, usage(err)
		}
	}
	if config.Decoder, err = codec.New(codec.Config{Codec: set.Codec, Pixel: set.Pixel, Spectra: spectra}); err != nil {
		return nil, usage(fmt.Errorf("%s: [serial]: %w", chosen.Name, err))
	}
	return device.Serial(config), nil
}

func (w *from) openFile(chosen setup.Setup, notice func(string)) (device.Source, error) {
	if chosen.Files.Format == "events" {
		return device.Follow(w.file, codec.Events(), notice), nil
	}
	spectra, err := inFiles(chosen)
	if err != nil {
		return nil, err
	}
	table, err := codec.NewWide(spectra)
	if err != nil {
		return nil, usage(fmt.Errorf("%s: [files]: %w", chosen.Name, err))
	}
	return device.Follow(w.file, table, notice), nil
}

func (w *from) openFolder(chosen setup.Setup, notice func(string)) (device.Source, error) {
	set := chosen.Files
	if _, err := filepath.Match(set.Pattern, "x"); err != nil {
		return nil, usage(fmt.Errorf("%s: files.pattern: found %q: %w", chosen.Name, set.Pattern, err))
	}
	spectra, err := inFiles(chosen)
	if err != nil {
		return nil, err
	}
	config := device.FolderConfig{Spectra: spectra, Pattern: set.Pattern, Settle: time.Duration(set.SettleS * float64(time.Second))}
	if set.Time == "name" {
		config.NameStepS = set.NameStepS
	}
	return device.Folder(w.folder, config, notice), nil
}

func (w *from) openDemo(s *session, asFastAsPossible bool) error {
	factor, err := parseSpeed(w.speed)
	if err != nil {
		return usage(err)
	}
	run, err := demo.Record()
	if err != nil {
		return err
	}
	s.source, s.clock = pace(device.Reader("demo (invented)", bytes.NewReader(run)), factor, asFastAsPossible)
	return nil
}

// inFiles says what the spectra in files are. A channel that the set-up knows must
// have as many pixels there.
func inFiles(chosen setup.Setup) (codec.Spectra, error) {
	set := chosen.Files
	spectra := codec.Spectra{Channel: set.Channel, Site: set.Site, Reflectance: set.Values == "reflectance", ClockS: stopwatch()}
	var err error
	if chosen.Channels[set.Channel].HasWavelengths() {
		spectra.Pixels, err = pixels(chosen, set.Channel)
	}
	return spectra, err
}

func pixels(chosen setup.Setup, channel string) (int, error) {
	wavelengthNM, err := chosen.Channels[channel].Wavelengths()
	if err != nil {
		return 0, usage(fmt.Errorf("%s: channel %q: %w", chosen.Name, channel, err))
	}
	return len(wavelengthNM), nil
}

// stopwatch gives the seconds since now, to the millisecond.
func stopwatch() func() float64 {
	began := time.Now()
	return func() float64 { return math.Round(time.Since(began).Seconds()*1e6) / 1e6 }
}
