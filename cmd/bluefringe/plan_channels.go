package main

import (
	"fmt"
	"slices"

	"bluefringe/device/setup"
	"bluefringe/optics/estimate"
	"bluefringe/optics/thick"
	"bluefringe/removal/plan"
)

// Relative standard uncertainty of a reading: published tables of silicon differ by so
// much in the index, and in the near infrared in the group index.
const (
	visibleRelSD  = 0.001
	infraredRelSD = 0.003
)

// infraredNM is the wavelength beyond which a channel sees through thick silicon.
const infraredNM = 1150

// planChannels is what the channels of a set-up can measure; where it names none, what
// is usual for the two kinds.
func planChannels(s setup.Setup) (channels []plan.Channel, assumed bool, err error) {
	names := s.WithWavelengths()
	if len(names) == 0 {
		return []plan.Channel{
			{Name: "near infrared", MinUM: 3, MaxUM: 800, RelSD: infraredRelSD},
			{Name: "visible", MinUM: 0.15, MaxUM: 8, RelSD: visibleRelSD},
		}, true, nil
	}
	for _, name := range names {
		nm, err := s.Channels[name].Wavelengths()
		if err != nil {
			return nil, false, fmt.Errorf("channel %s: %w", name, err)
		}
		die := dieSetup(s)
		die.ResolutionNM, die.NA = s.Instrument[name].ResolutionNM, s.Instrument[name].NA
		c := plan.Channel{Name: name, RelSD: visibleRelSD}
		var reader interface{ Limits() (minUM, maxUM float64) }
		if slices.Max(nm) > infraredNM {
			c.RelSD = infraredRelSD
			reader, err = thick.New(die, nm, thick.Options{})
		} else {
			reader, err = estimate.New(die, nm, estimate.Options{})
		}
		if err != nil {
			return nil, false, fmt.Errorf("channel %s: %w", name, err)
		}
		c.MinUM, c.MaxUM = reader.Limits()
		channels = append(channels, c)
	}
	return channels, false, nil
}
