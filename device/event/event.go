// Package event is the line format that files, wires and records share: one
// JSON object a line, as the README describes under "Event lines".
package event

import "time"

// Format is the version of the line format that this program writes.
const Format = 1

// Event is one decoded line.
type Event struct {
	Raw  []byte // the object as received, without CRC and line end
	Type string
	Body Body // nil for a type this program does not know
}

// Body is one of the types below.
type Body interface{ kind() string }

// Run opens a record.
type Run struct {
	Format   int                   `json:"format"`
	Job      string                `json:"job,omitempty"`
	Started  time.Time             `json:"started,omitzero"`
	Channels map[string]Channel    `json:"channels,omitempty"`
	Sites    map[string][2]float64 `json:"sites,omitempty"` // x, y in mm from the middle of the die
}

// Channel gives the wavelength of every pixel: a list, or a polynomial in the
// pixel index (from 0) with a number of pixels.
type Channel struct {
	WavelengthNM   Values `json:"wavelength_nm,omitempty" toml:"wavelength_nm,omitempty"`
	WavelengthPoly Values `json:"wavelength_poly,omitempty" toml:"wavelength_poly,omitempty"`
	Pixels         int    `json:"pixels,omitempty" toml:"pixels,omitempty"`

	// Pixels that say nothing. They come from a set-up; a run line does not bring them.
	MaskNM     [][2]float64 `json:"mask_nm,omitempty" toml:"mask_nm,omitempty"` // from, to
	MaskPixels []int        `json:"mask_pixels,omitempty" toml:"mask_pixels,omitempty"`
}

// Setup carries the set-up a run was made with.
type Setup struct {
	TOML string `json:"toml"`
}

// Received goes into a record before a line and says when that came, by the clock of
// the computer. A line without one of its own came at most 0.1 s after the newest time.
type Received struct {
	At time.Time `json:"at"`
}

// Prior is the Preston coefficient that past runs let expect of this run. It goes
// before the first process or spectrum and counts where the set-up gives none; so a
// record that holds it replays the same without the rate book.
type Prior struct {
	PrestonPerPa float64 `json:"preston_per_pa"` // 1/Pa
	PrestonRelSD float64 `json:"preston_rel_sd"` // standard deviation over mean
	Runs         Values  `json:"runs,omitempty"` // of the rate book that it stands on, by ID
}

// Dark is what the detector counts without light.
type Dark struct {
	TimeS         float64   `json:"time_s"`
	Channel       string    `json:"channel"`
	Counts        Values    `json:"counts"`
	IntegrationMS float64   `json:"integration_ms,omitempty"` // 0: not said
	Earlier       bool      `json:"earlier,omitempty"`        // taken in an earlier run, whose time TimeS is
	Started       time.Time `json:"started,omitzero"`         // when that began; zero: not known
}

// Reference is what the detector counts on a bare piece of a known material.
type Reference struct {
	TimeS         float64   `json:"time_s"`
	Channel       string    `json:"channel"`
	Material      string    `json:"material"`
	Counts        Values    `json:"counts"`
	IntegrationMS float64   `json:"integration_ms,omitempty"` // as those of a Dark
	Earlier       bool      `json:"earlier,omitempty"`
	Started       time.Time `json:"started,omitzero"`
}

// Process says what changed at the machine; a missing field keeps its value.
type Process struct {
	TimeS   float64  `json:"time_s"`
	Contact *bool    `json:"contact,omitempty"`
	ForceN  *float64 `json:"force_n,omitempty"`
	PadMM   *float64 `json:"pad_mm,omitempty"`
	SpeedMS *float64 `json:"speed_m_s,omitempty"`
}

// Spectrum is raw counts or, where the instrument has calibrated already, a
// reflectance.
type Spectrum struct {
	TimeS         float64 `json:"time_s"`
	Channel       string  `json:"channel"`
	Site          string  `json:"site,omitempty"` // missing means "c"
	Counts        Values  `json:"counts,omitempty"`
	Reflectance   Values  `json:"reflectance,omitempty"`
	IntegrationMS float64 `json:"integration_ms,omitempty"` // 0: not said
}

// Note is text from the operator or the machine.
type Note struct {
	TimeS float64 `json:"time_s"`
	Text  string  `json:"text"`
}

// End closes a record.
type End struct {
	TimeS float64 `json:"time_s"`
}

// Truth is the real thickness, where a simulator or a lab knows it. Only
// scoring reads it.
type Truth struct {
	TimeS       float64 `json:"time_s"`
	Site        string  `json:"site"`
	ThicknessUM float64 `json:"thickness_um"`
}

// Estimate, Forecast and Advice are what the program itself says. A number
// that does not exist is nil and left out of the line.
type Estimate struct {
	TimeS       float64  `json:"time_s"`
	Site        string   `json:"site"`
	Channel     string   `json:"channel"`
	ThicknessUM *float64 `json:"thickness_um,omitempty"`
	SDUM        *float64 `json:"sd_um,omitempty"`
	SpreadUM    *float64 `json:"spread_um,omitempty"`
	EdgeNM      *float64 `json:"edge_nm,omitempty"`
	Quality     string   `json:"quality"`
}

// Forecast is one site's thickness, rate and time left.
type Forecast struct {
	TimeS       float64   `json:"time_s"`
	Site        string    `json:"site"`
	ThicknessUM *float64  `json:"thickness_um,omitempty"`
	SDUM        *float64  `json:"sd_um,omitempty"`
	RateUMMin   *float64  `json:"rate_um_min,omitempty"`
	RateSDUMMin *float64  `json:"rate_sd_um_min,omitempty"`
	ToTargetS   *Interval `json:"to_target_s,omitempty"`
}

// Interval holds 5, 50 and 95 % points in seconds.
type Interval struct {
	P05 *float64 `json:"p05"`
	P50 *float64 `json:"p50"`
	P95 *float64 `json:"p95"`
}

// Advice is what the operator was told.
type Advice struct {
	TimeS      float64  `json:"time_s"`
	Advice     string   `json:"advice"`
	Rule       string   `json:"rule,omitempty"`
	Reason     string   `json:"reason,omitempty"`
	ThinnestUM *float64 `json:"thinnest_um,omitempty"`
	Site       string   `json:"site,omitempty"`

	// How long the next stretch of polishing may be at most, while the pad is up.
	NextStretchS *float64 `json:"next_stretch_s,omitempty"`
}

func (Run) kind() string       { return "run" }
func (Setup) kind() string     { return "setup" }
func (Received) kind() string  { return "received" }
func (Prior) kind() string     { return "prior" }
func (Dark) kind() string      { return "dark" }
func (Reference) kind() string { return "reference" }
func (Process) kind() string   { return "process" }
func (Spectrum) kind() string  { return "spectrum" }
func (Note) kind() string      { return "note" }
func (End) kind() string       { return "end" }
func (Truth) kind() string     { return "truth" }
func (Estimate) kind() string  { return "estimate" }
func (Forecast) kind() string  { return "forecast" }
func (Advice) kind() string    { return "advice" }
