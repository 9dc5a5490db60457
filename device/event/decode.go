package event

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"strconv"
	"time"
	"unicode/utf8"
)

// Bounds on what one line may hold.
const (
	MaxPixels    = 65536 // of a channel or spectrum
	MaxChannels  = 64    // of a run
	MaxSites     = 4096  // of a run
	MaxNameBytes = 64    // of a channel, site or material name

	maxDepth  = 32 // of nested arrays and objects
	maxFields = 64 // of one event

	// Integration times of any detector, from a microsecond to an hour.
	minIntegrationMS, maxIntegrationMS = 1e-3, 3.6e6
)

// What can be wrong with a line. Decode's errors wrap one of them, so that
// faults can be counted by kind.
var (
	ErrBlank   = errors.New("blank line")
	ErrTooLong = errors.New("line too long")
	ErrCRC     = errors.New("wrong checksum")
	ErrSyntax  = errors.New("not an event") // not UTF-8, not JSON, not an object with a type
	ErrField   = errors.New("bad event")    // a field is missing or not allowed
	ErrFormat  = errors.New("newer format") // a run line of a later format version
)

// Decode reads one line, with or without its line end. Where a checksum follows
// the object (one space, eight hex digits), it must be right. An unknown type
// gives an Event without Body; unknown fields are ignored. Body is a value
// (Spectrum, not *Spectrum) and shares no memory with line; Raw does.
func Decode(line []byte) (Event, error) { return new(Decoder).Decode(line) }

// unwrap takes line end and checksum from a line.
func unwrap(line []byte) (object []byte, err error) {
	line = bytes.TrimRight(line, "\r\n")
	if len(bytes.TrimSpace(line)) == 0 {
		return nil, ErrBlank
	}
	if len(line) > MaxLineBytes {
		return nil, fmt.Errorf("%w: found %d bytes, at most %d are allowed", ErrTooLong, len(line), MaxLineBytes)
	}
	return cutCRC(line)
}

// decodeObject reads any event.
func decodeObject(object []byte) (Event, error) {
	if !utf8.Valid(object) {
		return Event{}, fmt.Errorf("%w: the line is not UTF-8", ErrSyntax)
	}
	if err := checkDepth(object); err != nil {
		return Event{}, err
	}
	if !json.Valid(object) {
		return Event{}, fmt.Errorf("%w: found %s, one JSON object is allowed", ErrSyntax, quote(object))
	}
	fields, err := members(object, maxFields)
	if err != nil {
		return Event{}, fmt.Errorf("%w: %w", ErrSyntax, err)
	}
	d := decoder{fields: fields}
	d.kind = d.name("type", required)
	if d.err != nil {
		return Event{}, fmt.Errorf("%w: %w", ErrSyntax, d.err)
	}
	body := d.body()
	if d.err != nil {
		return Event{}, fmt.Errorf("%w: %s: %w", ErrField, quote([]byte(d.kind)), d.err)
	}
	return Event{Raw: object, Type: d.kind, Body: body}, nil
}

// Time returns the event's time_s; false for an event that has none.
func (e Event) Time() (timeS float64, ok bool) {
	switch b := e.Body.(type) {
	case Dark:
		return b.TimeS, true
	case Reference:
		return b.TimeS, true
	case Process:
		return b.TimeS, true
	case Spectrum:
		return b.TimeS, true
	case Note:
		return b.TimeS, true
	case End:
		return b.TimeS, true
	case Truth:
		return b.TimeS, true
	case Estimate:
		return b.TimeS, true
	case Forecast:
		return b.TimeS, true
	case Advice:
		return b.TimeS, true
	}
	return 0, false
}

// cutCRC checks and removes a checksum at the end of the line.
func cutCRC(line []byte) ([]byte, error) {
	at := len(line) - crcSuffix
	if at <= 0 || line[at] != ' ' {
		return line, nil
	}
	digits := line[at+1:]
	for _, c := range digits {
		if !isHex(c) {
			return line, nil
		}
	}
	said, err := strconv.ParseUint(string(digits), 16, 32)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrCRC, err)
	}
	if is := crc32.ChecksumIEEE(line[:at]); is != uint32(said) {
		return nil, fmt.Errorf("%w: the line says %08x, its bytes give %08x", ErrCRC, said, is)
	}
	return line[:at], nil
}

func isHex(c byte) bool {
	return '0' <= c && c <= '9' || 'a' <= c && c <= 'f' || 'A' <= c && c <= 'F'
}

func checkDepth(text []byte) error {
	depth, inString := 0, false
	for i := 0; i < len(text); i++ {
		switch c := text[i]; {
		case inString && c == '\\':
			i++
		case c == '"':
			inString = !inString
		case inString:
		case c == '{' || c == '[':
			if depth++; depth > maxDepth {
				return fmt.Errorf("%w: nested more than %d deep", ErrSyntax, maxDepth)
			}
		case c == '}' || c == ']':
			depth--
		}
	}
	return nil
}

// Whether a field must be there.
const (
	optional = false
	required = true
)

// decoder reads the fields of one event and keeps the first error.
type decoder struct {
	kind   string
	fields []member
	err    error
}

func (d *decoder) body() Body {
	switch d.kind {
	case "run":
		return d.run()
	case "setup":
		return Setup{TOML: d.text("toml", required)}
	case "received":
		return Received{At: d.moment("at", required)}
	case "prior":
		return d.prior()
	case "dark":
		return Dark{
			TimeS: d.time(), Channel: d.name("channel", required), Counts: d.pixels("counts", required),
			IntegrationMS: d.integration(), Earlier: d.truth("earlier"), Started: d.moment("started", optional),
		}
	case "reference":
		return Reference{
			TimeS: d.time(), Channel: d.name("channel", required),
			Material: d.name("material", required), Counts: d.pixels("counts", required),
			IntegrationMS: d.integration(), Earlier: d.truth("earlier"), Started: d.moment("started", optional),
		}
	case "process":
		return d.process()
	case "spectrum":
		return d.spectrum()
	case "note":
		return Note{TimeS: d.time(), Text: d.text("text", required)}
	case "end":
		return End{TimeS: d.time()}
	case "truth":
		t := Truth{TimeS: d.time(), Site: d.site()}
		if v := d.number("thickness_um", required); v != nil {
			t.ThicknessUM = *v
		}
		return t
	case "estimate":
		return Estimate{
			TimeS: d.time(), Site: d.site(), Channel: d.name("channel", optional),
			ThicknessUM: d.number("thickness_um", optional), SDUM: d.number("sd_um", optional),
			SpreadUM: d.number("spread_um", optional), EdgeNM: d.number("edge_nm", optional),
			Quality: d.name("quality", optional),
		}
	case "forecast":
		return Forecast{
			TimeS: d.time(), Site: d.site(),
			ThicknessUM: d.number("thickness_um", optional), SDUM: d.number("sd_um", optional),
			RateUMMin: d.number("rate_um_min", optional), RateSDUMMin: d.number("rate_sd_um_min", optional),
			ToTargetS: d.interval("to_target_s"),
		}
	case "advice":
		return Advice{
			TimeS: d.time(), Advice: d.name("advice", required), Rule: d.text("rule", optional),
			Reason: d.text("reason", optional), ThinnestUM: d.number("thinnest_um", optional),
			Site: d.name("site", optional),
		}
	}
	return nil
}

func (d *decoder) run() Run {
	var r Run
	if v := d.number("format", required); v != nil {
		switch {
		case *v > Format:
			d.fail(fmt.Errorf("%w: found format %g, this program reads up to %d", ErrFormat, *v, Format))
		case *v != Format:
			d.fail(fmt.Errorf("field \"format\" is %g: %d is allowed", *v, Format))
		}
		r.Format = Format
	}
	r.Job = d.text("job", optional)
	r.Started = d.moment("started", optional)
	for _, m := range d.object("channels", MaxChannels) {
		if r.Channels == nil {
			r.Channels = map[string]Channel{}
		}
		r.Channels[m.name] = d.channel(m)
	}
	for _, m := range d.object("sites", MaxSites) {
		if r.Sites == nil {
			r.Sites = map[string][2]float64{}
		}
		r.Sites[m.name] = d.position(m)
	}
	return r
}

func (d *decoder) prior() Prior {
	var p Prior
	for _, f := range []struct {
		name string
		most float64
		to   *float64
	}{{"preston_per_pa", 1e-9, &p.PrestonPerPa}, {"preston_rel_sd", 10, &p.PrestonRelSD}} {
		v := d.number(f.name, required)
		switch {
		case v == nil:
		case !(*v > 0 && *v <= f.most):
			d.fail(fmt.Errorf("field %q is %g: above 0 and up to %g is allowed", f.name, *v, f.most))
		default:
			*f.to = *v
		}
	}
	if raw := d.get("runs"); raw != nil && string(raw) != "[]" {
		p.Runs = d.pixels("runs", optional)
	}
	return p
}

func (d *decoder) channel(m member) Channel {
	fields, err := members(m.value, maxFields)
	if err != nil {
		d.fail(fmt.Errorf("channel %s: %w", quote([]byte(m.name)), err))
		return Channel{}
	}
	inner := decoder{fields: fields}
	c := Channel{
		WavelengthNM:   inner.pixels("wavelength_nm", optional),
		WavelengthPoly: inner.pixels("wavelength_poly", optional),
	}
	if v := inner.number("pixels", optional); v != nil {
		if *v != math.Trunc(*v) || *v < 1 || *v > MaxPixels {
			inner.fail(fmt.Errorf("field \"pixels\" is %g: a whole number from 1 to %d is allowed", *v, MaxPixels))
		} else {
			c.Pixels = int(*v)
		}
	}
	if inner.err == nil {
		_, inner.err = c.Wavelengths()
	}
	if inner.err != nil {
		d.fail(fmt.Errorf("channel %s: %w", quote([]byte(m.name)), inner.err))
	}
	return c
}

func (d *decoder) position(m member) [2]float64 {
	var xy Values
	if err := xy.UnmarshalJSON(m.value); err != nil || len(xy) != 2 || math.IsNaN(xy[0]+xy[1]) {
		d.fail(fmt.Errorf("site %s is at %s: [x, y] in mm is allowed", quote([]byte(m.name)), quote(m.value)))
		return [2]float64{}
	}
	return [2]float64(xy)
}

func (d *decoder) process() Process {
	p := Process{
		TimeS: d.time(), ForceN: d.number("force_n", optional),
		PadMM: d.number("pad_mm", optional), SpeedMS: d.number("speed_m_s", optional),
	}
	if d.get("contact") != nil {
		contact := d.truth("contact")
		p.Contact = &contact
	}
	for _, f := range []struct {
		name  string
		value *float64
	}{{"force_n", p.ForceN}, {"speed_m_s", p.SpeedMS}} {
		if f.value != nil && *f.value < 0 {
			d.fail(fmt.Errorf("field %q is %g: 0 or more is allowed", f.name, *f.value))
		}
	}
	if p.PadMM != nil && *p.PadMM <= 0 {
		d.fail(fmt.Errorf("field \"pad_mm\" is %g: a number above 0 is allowed", *p.PadMM))
	}
	return p
}

func (d *decoder) spectrum() Spectrum {
	s := Spectrum{
		TimeS: d.time(), Channel: d.name("channel", required), Site: d.name("site", optional),
		Counts: d.pixels("counts", optional), Reflectance: d.pixels("reflectance", optional),
		IntegrationMS: d.integration(),
	}
	if (s.Counts == nil) == (s.Reflectance == nil) {
		found := "neither"
		if s.Counts != nil {
			found = "both"
		}
		d.fail(fmt.Errorf("found %s of \"counts\" and \"reflectance\": one of them is allowed", found))
	}
	return s
}

func (d *decoder) interval(name string) *Interval {
	raw := d.get(name)
	if raw == nil {
		return nil
	}
	fields, err := members(raw, maxFields)
	if err != nil {
		d.fail(fmt.Errorf("field %q: %w", name, err))
		return nil
	}
	inner := decoder{fields: fields}
	i := &Interval{P05: inner.number("p05", optional), P50: inner.number("p50", optional), P95: inner.number("p95", optional)}
	if inner.err != nil {
		d.fail(fmt.Errorf("field %q: %w", name, inner.err))
	}
	return i
}

func (d *decoder) fail(err error) {
	if d.err == nil {
		d.err = err
	}
}

// get returns a field's JSON, nil when it is missing or null.
func (d *decoder) get(name string) []byte {
	for _, m := range d.fields {
		if m.name == name && string(m.value) != "null" {
			return m.value
		}
	}
	return nil
}

func (d *decoder) time() float64 {
	if v := d.number("time_s", required); v != nil {
		return *v
	}
	return 0
}

func (d *decoder) number(name string, need bool) *float64 {
	raw := d.get(name)
	if raw == nil {
		d.missing(name, "a number", need)
		return nil
	}
	v, err := parseNumber(raw)
	if err != nil {
		d.fail(fmt.Errorf("field %q is %w", name, err))
		return nil
	}
	return &v
}

// truth reads true or false; a missing field is false.
func (d *decoder) truth(name string) bool {
	raw := d.get(name)
	if raw != nil && string(raw) != "true" && string(raw) != "false" {
		d.fail(fmt.Errorf("field %q is %s: true or false is allowed", name, quote(raw)))
	}
	return string(raw) == "true"
}

// integration reads how long the detector collected light; 0 when it is not said.
func (d *decoder) integration() float64 {
	v := d.number("integration_ms", optional)
	if v == nil {
		return 0
	}
	if !isIntegration(*v) {
		d.fail(fmt.Errorf("field \"integration_ms\" is %g: %g to %g is allowed", *v, minIntegrationMS, maxIntegrationMS))
	}
	return *v
}

func isIntegration(ms float64) bool { return ms >= minIntegrationMS && ms <= maxIntegrationMS }

func (d *decoder) pixels(name string, need bool) Values {
	raw := d.get(name)
	if raw == nil {
		d.missing(name, "a list of numbers", need)
		return nil
	}
	var v Values
	if err := v.UnmarshalJSON(raw); err != nil {
		d.fail(fmt.Errorf("field %q: %w", name, err))
		return nil
	}
	if len(v) == 0 {
		d.fail(fmt.Errorf("field %q is empty: 1 to %d numbers are allowed", name, MaxPixels))
		return nil
	}
	return v
}

func (d *decoder) text(name string, need bool) string {
	raw := d.get(name)
	if raw == nil {
		d.missing(name, "text", need)
		return ""
	}
	var s string
	if err := json.Unmarshal(raw, &s); err != nil {
		d.fail(fmt.Errorf("field %q is %s: text is allowed", name, quote(raw)))
	}
	return s
}

// moment reads a date with a time (RFC 3339); empty text is the zero time.
func (d *decoder) moment(name string, need bool) time.Time {
	said := d.text(name, need)
	if said == "" && !need {
		return time.Time{}
	}
	at, err := time.Parse(time.RFC3339Nano, said)
	if err != nil {
		d.fail(fmt.Errorf("field %q is %s: a time like 2026-03-02T08:00:00Z is allowed", name, quote([]byte(said))))
	}
	return at
}

func (d *decoder) name(name string, need bool) string {
	s := d.text(name, need)
	if len(s) > MaxNameBytes || (need && s == "") {
		d.fail(fmt.Errorf("field %q has %d bytes: 1 to %d are allowed", name, len(s), MaxNameBytes))
	}
	return s
}

// site reads the site of events that have no SiteName of their own.
func (d *decoder) site() string {
	if s := d.name("site", optional); s != "" {
		return s
	}
	return MiddleSite
}

func (d *decoder) object(name string, limit int) []member {
	raw := d.get(name)
	if raw == nil {
		return nil
	}
	list, err := members(raw, limit)
	if err != nil {
		d.fail(fmt.Errorf("field %q: %w", name, err))
		return nil
	}
	for _, m := range list {
		if len(m.name) == 0 || len(m.name) > MaxNameBytes {
			d.fail(fmt.Errorf("field %q has a name of %d bytes: 1 to %d are allowed", name, len(m.name), MaxNameBytes))
		}
	}
	return list
}

func (d *decoder) missing(name, kind string, need bool) {
	if need {
		d.fail(fmt.Errorf("field %q is missing: %s is needed", name, kind))
	}
}

// quote shows a piece of outside text in an error.
func quote(text []byte) string {
	const most = 40
	if len(text) <= most {
		return strconv.QuoteToGraphic(string(text))
	}
	return strconv.QuoteToGraphic(string(text[:most])) + "…"
}
