package ratebook

import (
	"encoding/hex"
	"fmt"
	"math"
	"strings"
	"time"

	"bluefringe/device/event"
)

// Run is what one finished run taught. Texts are cleaned and bounded by Add; a
// number that is not known is NaN (0 counts as NaN, but for ID).
type Run struct {
	ID       int64     // given by Add; never used again once forgotten
	Checksum string    // of the record, hexadecimal, 8 to 64 bytes; see Digest
	When     time.Time // when the run began; kept to the millisecond, in UTC

	Job      string
	Material string // that was polished
	Pad      string // kind of pad
	Slurry   string
	Note     string

	PadMM      float64 // diameter of the pad
	ForceN     float64 // normal force on it
	PressurePa float64 // force over area
	SpeedMS    float64 // between pad and die

	PrestonPerPa float64 // Preston coefficient Kp in 1/Pa, needed
	PrestonRelSD float64 // its standard uncertainty over itself, needed

	GlazingS  float64 // time constant of the pad's glazing
	RemovedUM float64 // silicon taken off
	PolishedS float64 // time with the pad on the die
}

// bounded is one number of a run with its name and bounds.
type bounded struct {
	name        string
	value       *float64
	least, most float64
}

func (r *Run) needed() []bounded {
	return []bounded{{"preston_per_pa", &r.PrestonPerPa, 1e-20, 1e-9}, {"preston_rel_sd", &r.PrestonRelSD, 1e-6, 10}}
}

func (r *Run) optional() []bounded {
	return []bounded{
		{"pad_mm", &r.PadMM, 1e-3, 1000}, {"force_n", &r.ForceN, 1e-6, 1e4}, {"pressure_pa", &r.PressurePa, 1e-3, 1e9},
		{"speed_m_s", &r.SpeedMS, 1e-6, 100}, {"glazing_s", &r.GlazingS, 1e-3, 1e7},
		{"removed_um", &r.RemovedUM, 1e-6, 1e4}, {"polished_s", &r.PolishedS, 1e-3, 1e7},
	}
}

// checked returns the run as it is stored, or says what is wrong with it.
func (r Run) checked() (Run, error) {
	for _, text := range []*string{&r.Job, &r.Material, &r.Pad, &r.Slurry, &r.Note} {
		*text = clean(*text)
	}
	r.Checksum = strings.ToLower(r.Checksum)
	if sum, err := hex.DecodeString(r.Checksum); err != nil || len(sum) < 8 || len(sum) > 64 {
		return r, fmt.Errorf("checksum: found %q: 8 to 64 bytes in hexadecimal are allowed", event.Clean(r.Checksum))
	}
	if year := r.When.UTC().Year(); year < 1970 || year > 9999 {
		return r, fmt.Errorf("when: found the year %d: 1970 to 9999 is allowed", year)
	}
	r.When = r.When.UTC().Truncate(time.Millisecond)
	for _, b := range r.needed() {
		if v := *b.value; !(v >= b.least && v <= b.most) {
			return r, fmt.Errorf("%s: found %g: %g to %g is allowed", b.name, v, b.least, b.most)
		}
	}
	for _, b := range r.optional() {
		switch v := *b.value; {
		case v == 0 || math.IsNaN(v):
			*b.value = math.NaN()
		case !(v >= b.least && v <= b.most):
			return r, fmt.Errorf("%s: found %g: %g to %g, or NaN for not known, is allowed", b.name, v, b.least, b.most)
		}
	}
	return r, nil
}

// clean makes text from outside safe to store and to show: see event.Clean; runs of
// spaces become one.
func clean(text string) string {
	return strings.Join(strings.Fields(event.Clean(text)), " ")
}
