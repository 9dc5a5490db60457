package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"os/signal"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"bluefringe/device"
	"bluefringe/device/calibrate"
	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/optics/estimate"
	"bluefringe/optics/film"
	"bluefringe/optics/material"

	"github.com/spf13/cobra"
	"gonum.org/v1/gonum/stat"
)

func newCheck(st streams) *cobra.Command {
	var filmName, channel string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "check RUN",
		Short: "Check an instrument on a transparent film on silicon",
		Long: `Check an instrument on a transparent film on bare silicon: 0.5 to 5 µm of oxide or
resist, dry, in air. RUN is a record with dark, reference (bare silicon) and some spectra
of the film, all of one place. The film shows how wide the instrument's line is, how much
stray light it has and how much of the fringes' contrast it keeps at each
wavelength; thicker films show the line better. The last lines of the report go into
the set-up file. A film that is uneven inside the spot looks like a wide line.

Exit status 1 says that the instrument fails the check or the film cannot be read.`,
		Example: `  bluefringe watch --serial /dev/ttyUSB0 --record film.jsonl --plain
  bluefringe check film.jsonl
  bluefringe check film.jsonl --film resist --channel vis --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			kind, err := film.ParseKind(filmName)
			if err != nil {
				return usage(fmt.Errorf("--film: %w", err))
			}
			if _, err := os.Stat(args[0]); errors.Is(err, fs.ErrNotExist) {
				return usage(fmt.Errorf("no record %s", args[0]))
			}
			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			read, err := readFilm(ctx, args[0], channel, st.err)
			if err != nil {
				return err
			}
			check, err := newInstrumentCheck(read, kind)
			if err != nil {
				return err
			}
			if asJSON {
				err = json.NewEncoder(st.out).Encode(check.line())
			} else {
				_, err = io.WriteString(st.out, check.report())
			}
			return errors.Join(err, check.verdict())
		},
	}
	f := cmd.Flags()
	f.StringVar(&filmName, "film", string(film.Oxide), "what the film is: "+strings.Join(film.Kinds(), " or "))
	f.StringVar(&channel, "channel", "vis", "channel of the record to check")
	f.BoolVar(&asJSON, "json", false, "write one JSON line")
	return cmd
}

// filmRecord is what a record holds of one channel.
type filmRecord struct {
	channel      string
	calibrator   *calibrate.Calibrator
	opening      event.Run
	temperatureC float64
	ambient      string
	dark         []float64 // the latest; nil when there is none
	reference    []float64
	material     string
	sites        []string // in the order in which they came
	spectra      map[string][][]float64
	other        map[string]int // spectra of other channels
	values       int            // held in spectra
	skipped      int            // spectra more than are held
	log          faultLog
	counts       counts
}

// maxCheckValues bounds what is held of a record.
const maxCheckValues = 16 << 20

// readFilm reads a record. Lines that cannot be used are counted and told.
func readFilm(ctx context.Context, path, channel string, talk io.Writer) (*filmRecord, error) {
	r := &filmRecord{channel: channel, spectra: map[string][][]float64{}, other: map[string]int{}, log: faultLog{w: talk}}
	if err := r.start(setup.Default()); err != nil {
		return nil, err
	}
	err := device.File(path).Run(ctx, func(line device.Line) error {
		e, err := event.Event{}, line.Err
		if err == nil {
			e, err = event.Decode(line.Text)
		}
		switch {
		case errors.Is(err, event.ErrBlank):
			return nil
		case errors.Is(err, event.ErrCRC):
			r.counts.badCRC++
		case err != nil:
			r.counts.badLines++
		default:
			return r.take(e.Body)
		}
		r.log.fault(err)
		return nil
	})
	if errors.Is(err, errEnd) {
		err = nil
	}
	r.counts.skipped = r.skipped
	r.log.last = r.counts
	r.log.close()
	if err != nil {
		return nil, err
	}
	return r, r.enough()
}

// start makes the calibrator. The check is done in air whatever the die lies in.
func (r *filmRecord) start(s setup.Setup) error {
	c, err := calibrate.New("air", s.Optics.TemperatureC)
	if err != nil {
		return usage(err)
	}
	if err := c.SetChannels(s.Channels); err != nil {
		return usage(fmt.Errorf("%s: %w", event.Clean(s.Name), err))
	}
	if err := c.SetChannels(r.opening.Channels); err != nil {
		return err
	}
	r.calibrator, r.temperatureC, r.ambient = c, s.Optics.TemperatureC, s.Optics.Ambient
	return nil
}

func (r *filmRecord) take(body event.Body) error {
	switch b := body.(type) {
	case event.Run:
		r.opening = b
		r.calibration(b)
	case event.Setup:
		s, err := setup.Parse("set-up in the record", []byte(b.TOML))
		if err != nil {
			return usage(err)
		}
		if r.dark == nil && r.reference == nil && len(r.sites) == 0 {
			return r.start(s)
		}
	case event.Dark:
		if b.Channel == r.channel && r.calibration(b) {
			r.dark = b.Counts
		}
	case event.Reference:
		if b.Channel == r.channel && r.calibration(b) {
			r.reference, r.material = b.Counts, b.Material
		}
	case event.Spectrum:
		r.spectrum(b)
	case event.End:
		return errEnd
	}
	return nil
}

func (r *filmRecord) calibration(body event.Body) bool {
	err := r.calibrator.Take(body)
	if err != nil {
		r.counts.refused++
		r.log.fault(err)
	}
	return err == nil
}

func (r *filmRecord) spectrum(s event.Spectrum) {
	if s.Channel != r.channel {
		r.other[s.Channel]++
		return
	}
	r.counts.spectra++
	reflectance, err := r.calibrator.Reflectance(nil, s)
	if err != nil {
		r.counts.refused++
		r.log.fault(fmt.Errorf("spectrum at %g s: %w", s.TimeS, err))
		return
	}
	if r.values+len(reflectance) > maxCheckValues {
		r.skipped++
		return
	}
	r.values += len(reflectance)
	site := s.SiteName()
	if r.spectra[site] == nil {
		r.sites = append(r.sites, site)
	}
	r.spectra[site] = append(r.spectra[site], reflectance)
}

// enough says what the record lacks for a check.
func (r *filmRecord) enough() error {
	switch {
	case len(r.sites) > 0:
		return nil
	case r.counts.spectra > 0:
		return fmt.Errorf("none of %d spectra of channel %q can be used", r.counts.spectra, event.Clean(r.channel))
	case len(r.other) > 0:
		var names []string
		for name := range r.other {
			names = append(names, strconv.Quote(event.Clean(name)))
		}
		slices.Sort(names)
		return usage(fmt.Errorf("--channel: found %q: the record has spectra of %s", event.Clean(r.channel), strings.Join(names, ", ")))
	}
	return errors.New("the record holds no spectra")
}

// light is the signal of the reference; nil when it is not silicon, or not there.
func (r *filmRecord) light() []float64 {
	m, err := material.Lookup(r.material)
	if r.dark == nil || r.reference == nil || err != nil || m.Name() != "Si" {
		return nil
	}
	out := make([]float64, len(r.reference))
	for i, v := range r.reference {
		out[i] = v - r.dark[i]
	}
	return out
}

// site returns the place with most spectra.
func (r *filmRecord) site() string {
	best := r.sites[0]
	for _, s := range r.sites {
		if len(r.spectra[s]) > len(r.spectra[best]) {
			best = s
		}
	}
	return best
}

// Bounds of an instrument that does its work, as fractions of reflectance or light.
// Common practice, no source.
const (
	warnStray, failStray       = 0.10, 0.20
	warnNoise, failNoise       = 0.01, 0.03
	warnDrift, failDrift       = 0.02, 0.10
	warnUnusable, failUnusable = 0.10, 0.50
	warnDark                   = 0.25 // of the reference's highest count
	warnBetweenNM              = 1.0
	warnBetween                = 0.001 // of the thickness
	fewSpectra                 = 5
	mostRepeats                = 20 // spectra that are also read one by one
	unexplained                = 4  // standard uncertainties, and at least
	unexplainedLeast           = 0.03
)

// instrumentCheck is what the film says of an instrument.
type instrumentCheck struct {
	record   *filmRecord
	kind     film.Kind
	site     string
	spectra  int
	result   film.Result
	contrast film.Contrast
	asThick  float64 // silicon whose fringes at 600 nm are as close, nm
	between  float64 // standard deviation of thickness from spectrum to spectrum, nm
	repeats  repeats
	pixels   pixelHealth

	faults, warnings []string
}

// The band that is checked.
const checkMinNM, checkMaxNM = 400, 1000

func newInstrumentCheck(r *filmRecord, kind film.Kind) (*instrumentCheck, error) {
	nm := r.calibrator.WavelengthsNM(r.channel)
	estimator, err := film.New(film.Setup{Film: kind, TemperatureC: r.temperatureC, MinNM: checkMinNM, MaxNM: checkMaxNM, Light: r.light()}, nm)
	if err != nil {
		return nil, fmt.Errorf("channel %q: %w", event.Clean(r.channel), err)
	}
	c := &instrumentCheck{record: r, kind: kind, site: r.site(), between: math.NaN(), asThick: math.NaN()}
	spectra := r.spectra[c.site]
	c.spectra = len(spectra)
	mean := average(spectra)
	if c.result, err = estimator.Measure(mean); err != nil {
		return nil, err
	}
	c.contrast = c.result.Contrast()
	c.repeats = compare(spectra, mean, nm)
	c.pixels = r.health(mean, nm)
	if c.result.Quality != estimate.Lost {
		c.asThick = film.AsSiliconNM(kind, c.result.ThicknessNM, asThickAtNM, r.temperatureC)
		var each []float64
		step := max(1, (len(spectra)+mostRepeats-1)/mostRepeats)
		for i := 0; i < len(spectra); i += step {
			thicknessNM, err := estimator.Again(spectra[i], c.result)
			if err != nil {
				return nil, err
			}
			if !math.IsNaN(thicknessNM) {
				each = append(each, thicknessNM)
			}
		}
		if len(each) > 1 {
			c.between = stat.StdDev(each, nil)
		}
	}
	c.judge()
	return c, nil
}

const asThickAtNM = 600

// average is the mean of every pixel over the spectra, without values far from the
// others, such as spikes. A pixel that less than half of the spectra have is NaN.
func average(spectra [][]float64) []float64 {
	const far, enough = 6, 4
	out := make([]float64, len(spectra[0]))
	values, sizes := make([]float64, 0, len(spectra)), make([]float64, 0, len(spectra))
	for i := range out {
		values = values[:0]
		for _, s := range spectra {
			if !math.IsNaN(s[i]) {
				values = append(values, s[i])
			}
		}
		out[i] = math.NaN()
		if 2*len(values) < len(spectra) {
			continue
		}
		if len(values) < enough {
			out[i] = stat.Mean(values, nil)
			continue
		}
		middle := median(values)
		sizes = sizes[:0]
		for _, v := range values {
			sizes = append(sizes, math.Abs(v-middle))
		}
		limit := far * 1.4826 * median(sizes)
		sum, n := 0.0, 0.0
		for _, v := range values {
			if math.Abs(v-middle) <= limit {
				sum += v
				n++
			}
		}
		out[i] = sum / n
	}
	return out
}

// median sorts values; NaN for none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	slices.Sort(values)
	return values[len(values)/2]
}

// repeats is what spectra of the same place differ by; NaN for a single one.
type repeats struct {
	noise, noiseBlue, noiseRed float64 // of reflectance, a pixel and spectrum: in all, and at the ends
	drift                      float64 // of brightness from the first to the last
}

// compare takes the brightness of each spectrum out and looks at what is left.
func compare(spectra [][]float64, mean, nm []float64) repeats {
	n := len(spectra)
	none := math.NaN()
	if n < 2 {
		return repeats{none, none, none, none}
	}
	scale, order := make([]float64, n), make([]float64, n)
	for j, s := range spectra {
		cross, square := 0.0, 0.0
		for i, m := range mean {
			if !math.IsNaN(m) && !math.IsNaN(s[i]) && used(nm[i]) {
				cross += m * s[i]
				square += m * m
			}
		}
		scale[j], order[j] = cross/square, float64(j)
	}
	var pixels []int
	for i, m := range mean {
		if !math.IsNaN(m) && used(nm[i]) {
			pixels = append(pixels, i)
		}
	}
	slices.SortFunc(pixels, func(a, b int) int { return cmp.Compare(nm[a], nm[b]) })
	noise := func(pixels []int) float64 {
		var left []float64
		for _, i := range pixels {
			for j, s := range spectra {
				if !math.IsNaN(s[i]) {
					left = append(left, math.Abs(s[i]-scale[j]*mean[i]))
				}
			}
		}
		// 1.4826 times the median size is a standard deviation; the mean holds an n-th
		// of each spectrum's noise.
		return 1.4826 * median(left) * math.Sqrt(float64(n)/float64(n-1))
	}
	tenth := (len(pixels) + 9) / 10
	_, slope := stat.LinearRegression(order, scale, nil, false)
	return repeats{
		noise: noise(pixels), noiseBlue: noise(pixels[:tenth]), noiseRed: noise(pixels[len(pixels)-tenth:]),
		drift: slope * float64(n-1),
	}
}

func used(nm float64) bool { return nm >= checkMinNM && nm <= checkMaxNM }

// pixelHealth is the state of detector and lamp. Counts are NaN when the record
// carries reflectance.
type pixelHealth struct {
	used                    int // pixels in the band that is checked
	dim, saturated, nothing int // of these, without a value, and why
	darkCounts              float64
	peakCounts, peakNM      float64 // of the reference above dark
	topCounts               float64 // of the reference
	hot                     int     // pixels with a dark level far above the others
}

func (p pixelHealth) unusable() int { return p.dim + p.saturated + p.nothing }

func (r *filmRecord) health(mean, nm []float64) pixelHealth {
	h := pixelHealth{darkCounts: math.NaN(), peakCounts: math.NaN(), peakNM: math.NaN(), topCounts: math.NaN()}
	counted := r.dark != nil && r.reference != nil
	if counted {
		h.darkCounts = median(slices.DeleteFunc(slices.Clone(r.dark), math.IsNaN))
		h.peakCounts, h.topCounts = math.Inf(-1), math.Inf(-1)
		for i, v := range r.reference {
			if light := v - r.dark[i]; light > h.peakCounts {
				h.peakCounts, h.peakNM = light, nm[i]
			}
			h.topCounts = math.Max(h.topCounts, v)
		}
	}
	// Dimmer than this a pixel without a value lacks light; brighter, it is saturated.
	const dim, bright, hot = 0.02, 0.9, 0.1
	for i, m := range mean {
		if counted && r.dark[i] > h.darkCounts+hot*h.peakCounts {
			h.hot++
		}
		if !used(nm[i]) {
			continue
		}
		h.used++
		switch {
		case !math.IsNaN(m):
		case counted && r.reference[i]-r.dark[i] < dim*h.peakCounts:
			h.dim++
		case counted && r.reference[i] > bright*h.topCounts:
			h.saturated++
		default:
			h.nothing++
		}
	}
	return h
}

// judge says in words what is wrong.
func (c *instrumentCheck) judge() {
	warn := func(format string, args ...any) { c.warnings = append(c.warnings, fmt.Sprintf(format, args...)) }
	fail := func(format string, args ...any) { c.faults = append(c.faults, fmt.Sprintf(format, args...)) }
	// bound tells a value against two bounds.
	bound := func(v, least, most float64, format string, args ...any) {
		switch {
		case v > most:
			fail(format, args...)
		case v > least:
			warn(format, args...)
		}
	}
	r := c.result
	switch r.Quality {
	case estimate.Lost:
		fail("the film cannot be read: %s", r.Reason)
	case estimate.Ambiguous:
		fail("the film cannot be read: two fringe orders explain it, %s", r.Reason)
	case estimate.Weak:
		warn("%s", r.Reason)
	}
	bound(r.Stray, warnStray, failStray, "stray light is %.0f %% of the mean light: look for leaks, a dirty fibre end, second-order light", 100*r.Stray)
	bound(c.repeats.noise, warnNoise, failNoise, "noise is %.1f %% of reflectance a pixel and spectrum: more light or longer exposure", 100*c.repeats.noise)
	bound(math.Abs(c.repeats.drift), warnDrift, failDrift, "brightness drifts by %+.1f %% from the first spectrum to the last: let the lamp warm up, hold the sample", 100*c.repeats.drift)
	share := float64(c.pixels.unusable()) / float64(c.pixels.used)
	bound(share, warnUnusable, failUnusable, "%.0f %% of the pixels between %d and %d nm cannot be used", 100*share, checkMinNM, checkMaxNM)
	if c.pixels.saturated > 0 {
		warn("the reference saturates %d pixels: shorten the exposure", c.pixels.saturated)
	}
	if dark := c.pixels.darkCounts / c.pixels.topCounts; dark > warnDark {
		warn("the dark level is %.0f %% of the reference's highest count: shorten the exposure, keep light out of the dark", 100*dark)
	}
	if c.pixels.hot > 0 {
		warn("%d pixels have a dark level far above the others", c.pixels.hot)
	}
	if c.spectra < fewSpectra {
		warn("%s of the film: ten or more say how they agree", plural(c.spectra, "spectrum", "spectra"))
	}
	for _, s := range c.record.sites {
		if s != c.site {
			warn("spectra of site %s are left out: one place is checked, site %s", event.Clean(s), event.Clean(c.site))
			break
		}
	}
	if c.record.ambient != "air" {
		warn("the set-up in the record says %s: film and reference are taken to lie in air", event.Clean(c.record.ambient))
	}
	if r.Quality == estimate.Lost {
		return
	}
	if c.between > math.Max(warnBetweenNM, warnBetween*r.ThicknessNM) {
		warn("the thickness differs by %.1f nm from spectrum to spectrum: was it one place?", c.between)
	}
	if !r.ResolutionShown {
		warn("the film is too thin to show the width of the line (below %.1f nm): a thicker one does", r.ResolutionMaxNM)
	}
	if math.IsNaN(c.contrast.Half()) {
		fail("nowhere is half of the contrast of the fringes left")
	}
	if n, of := c.unexplained(); 4*n > of {
		warn("one line width and one share of stray light do not explain the contrast at %d of %d wavelengths: is the film even inside the spot?", n, of)
	}
}

// unexplained counts wavelengths where the contrast is not that of resolution and stray
// light.
func (c *instrumentCheck) unexplained() (n, of int) {
	for i, v := range c.contrast.Visibility {
		if math.IsNaN(v) {
			continue
		}
		of++
		if math.Abs(v-c.contrast.Fitted[i]) > math.Max(unexplained*c.contrast.SD[i], unexplainedLeast) {
			n++
		}
	}
	return n, of
}

// verdict is nil when the instrument passes.
func (c *instrumentCheck) verdict() error {
	if len(c.faults) == 0 {
		return nil
	}
	return fmt.Errorf("the check fails: %s", strings.Join(c.faults, "; "))
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// report is the check in words.
func (c *instrumentCheck) report() string {
	var b strings.Builder
	row := func(name, format string, args ...any) {
		fmt.Fprintf(&b, "%-13s%s\n", name, fmt.Sprintf(format, args...))
	}
	r := c.result
	row("check", "channel %s, site %s, %s", event.Clean(c.record.channel), event.Clean(c.site), plural(c.spectra, "spectrum", "spectra"))
	row("film", "%s on silicon, %s", c.kind, r.Quality)
	if r.Quality != estimate.Lost {
		row("thickness", "%.4f ± %.4f µm (standard uncertainty)", r.ThicknessNM/1000, r.SDNM/1000)
		row("", "fringes at %d nm as close as those of %.2f µm of silicon", asThickAtNM, c.asThick/1000)
		if c.kind == film.Resist {
			row("index", "n = %.4f + %.5f/λ² + %.6f/λ⁴, λ in µm; A ± %.3f", r.Cauchy[0], r.Cauchy[1], r.Cauchy[2], r.CauchyASD)
		}
		row("agreement", "%s", orDash(c.between, "%.2f nm from spectrum to spectrum"))
		if r.ResolutionShown {
			row("resolution", "%.2f ± %.2f nm, full width at half maximum", r.ResolutionNM, r.ResolutionSDNM)
		} else {
			row("resolution", "below %.1f nm, full width at half maximum", r.ResolutionMaxNM)
		}
		row("stray light", "%.3f ± %.3f of the mean light", r.Stray, r.StraySD)
		c.contrastTable(&b, row)
	}
	p := c.pixels
	row("dark", "%s", orDash(p.darkCounts, "%.0f counts"))
	if math.IsNaN(p.peakCounts) {
		row("reference", "none: the record carries reflectance")
	} else {
		row("reference", "%s, %.0f counts above dark at %.0f nm", event.Clean(c.record.material), p.peakCounts, p.peakNM)
	}
	row("pixels", "%d of %d without a value between %d and %d nm: %d too dim, %d saturated, %d other", p.unusable(), p.used, checkMinNM, checkMaxNM, p.dim, p.saturated, p.nothing)
	row("noise", "%s", orDash(100*c.repeats.noise, "%.2f %% of reflectance a pixel and spectrum")+
		orNothing(100*c.repeats.noiseBlue, " (%.2f blue, ")+orNothing(100*c.repeats.noiseRed, "%.2f red)"))
	row("drift", "%s", orDash(100*c.repeats.drift, "%+.2f %% of brightness from first to last"))
	for _, text := range c.faults {
		row("FAILS", "%s", text)
	}
	for _, text := range c.warnings {
		row("warning", "%s", text)
	}
	if len(c.faults) == 0 {
		fmt.Fprintf(&b, "\n# for the set-up file\n%s", c.block())
	}
	return b.String()
}

func (c *instrumentCheck) contrastTable(b *strings.Builder, row func(name, format string, args ...any)) {
	half := c.contrast.Half()
	row("contrast", "%s", orDash(half, "at least half down to %.0f nm"))
	const rows = 12
	n := len(c.contrast.Visibility)
	step := max(1, (n+rows-1)/rows)
	fmt.Fprintf(b, "%13s%6s  %8s  %6s  %s\n", "", "nm", "contrast", "±", "as resolution and stray light say")
	for i := 0; i < n; i += step {
		fmt.Fprintf(b, "%13s%6.0f  %8s  %6s  %s\n", "", c.contrast.WavelengthNM[i],
			orDash(c.contrast.Visibility[i], "%.3f"), orDash(c.contrast.SD[i], "%.3f"), orDash(c.contrast.Fitted[i], "%.3f"))
	}
}

// block is what the set-up file is to say of the instrument.
func (c *instrumentCheck) block() string {
	name := c.record.channel
	if !regexp.MustCompile(`^[A-Za-z0-9_-]+$`).MatchString(name) {
		name = strconv.QuoteToASCII(event.Clean(name))
	}
	resolution := fmt.Sprintf("resolution_nm = %.2f", c.result.ResolutionNM)
	if !c.result.ResolutionShown {
		resolution = fmt.Sprintf("# resolution_nm: this film only says below %.1f", c.result.ResolutionMaxNM)
	}
	return fmt.Sprintf("[instrument.%s]\n%s\nstray = %.3f\n", name, resolution, c.result.Stray)
}

func orDash(v float64, format string) string {
	if text := orNothing(v, format); text != "" {
		return text
	}
	return "–"
}

func orNothing(v float64, format string) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return fmt.Sprintf(format, v)
}

// checkLine is the check as a JSON line. A number that does not exist is left out.
type checkLine struct {
	Type     string   `json:"type"`
	Channel  string   `json:"channel"`
	Site     string   `json:"site"`
	Film     string   `json:"film"`
	Passed   bool     `json:"passed"`
	Faults   []string `json:"faults,omitempty"`
	Warnings []string `json:"warnings,omitempty"`

	Quality            string   `json:"quality"`
	Reason             string   `json:"reason,omitempty"`
	ThicknessUM        *float64 `json:"thickness_um,omitempty"`
	SDUM               *float64 `json:"sd_um,omitempty"`
	BetweenSpectraSDUM *float64 `json:"between_spectra_sd_um,omitempty"`
	CauchyA            *float64 `json:"cauchy_a,omitempty"`
	CauchyB            *float64 `json:"cauchy_b_um2,omitempty"`
	CauchyC            *float64 `json:"cauchy_c_um4,omitempty"`
	ResolutionNM       *float64 `json:"resolution_nm,omitempty"`
	ResolutionSDNM     *float64 `json:"resolution_sd_nm,omitempty"`
	ResolutionMaxNM    *float64 `json:"resolution_max_nm,omitempty"`
	Stray              *float64 `json:"stray,omitempty"`
	StraySD            *float64 `json:"stray_sd,omitempty"`
	HalfContrastNM     *float64 `json:"half_contrast_nm,omitempty"`

	Contrast []contrastLine `json:"contrast,omitempty"`

	Spectra          int      `json:"spectra"`
	Pixels           int      `json:"pixels"`
	DimPixels        int      `json:"dim_pixels"`
	SaturatedPixels  int      `json:"saturated_pixels"`
	EmptyPixels      int      `json:"empty_pixels"`
	HotPixels        int      `json:"hot_pixels"`
	DarkCounts       *float64 `json:"dark_counts,omitempty"`
	ReferenceCounts  *float64 `json:"reference_peak_counts,omitempty"`
	NoiseReflectance *float64 `json:"noise_reflectance,omitempty"`
	DriftFraction    *float64 `json:"drift_fraction,omitempty"`
}

type contrastLine struct {
	WavelengthNM float64  `json:"wavelength_nm"`
	Contrast     *float64 `json:"contrast,omitempty"`
	SD           *float64 `json:"sd,omitempty"`
	Fitted       *float64 `json:"fitted,omitempty"`
}

func (c *instrumentCheck) line() checkLine {
	const decimals = 4 // of fractions and nm
	r, p := c.result, c.pixels
	l := checkLine{
		Type: "check", Channel: event.Clean(c.record.channel), Site: event.Clean(c.site), Film: string(c.kind),
		Passed: len(c.faults) == 0, Faults: c.faults, Warnings: c.warnings,
		Quality: r.Quality.String(), Reason: r.Reason,
		ThicknessUM: number(r.ThicknessNM/1000, decimalsUM), SDUM: number(r.SDNM/1000, decimalsUM),
		BetweenSpectraSDUM: number(c.between/1000, decimalsUM),
		CauchyA:            number(r.Cauchy[0], decimals), CauchyB: number(r.Cauchy[1], decimals+2), CauchyC: number(r.Cauchy[2], decimals+2),
		ResolutionMaxNM: number(r.ResolutionMaxNM, decimals),
		Stray:           number(r.Stray, decimals), StraySD: number(r.StraySD, decimals),
		Spectra: c.spectra, Pixels: p.used, DimPixels: p.dim, SaturatedPixels: p.saturated, EmptyPixels: p.nothing, HotPixels: p.hot,
		DarkCounts: number(p.darkCounts, 1), ReferenceCounts: number(p.peakCounts, 1),
		NoiseReflectance: number(c.repeats.noise, decimals+1), DriftFraction: number(c.repeats.drift, decimals+1),
	}
	if r.ResolutionShown {
		l.ResolutionNM, l.ResolutionSDNM = number(r.ResolutionNM, decimals), number(r.ResolutionSDNM, decimals)
	}
	if r.Quality != estimate.Lost {
		l.HalfContrastNM = number(c.contrast.Half(), decimalsNM)
	}
	for i, nm := range c.contrast.WavelengthNM {
		l.Contrast = append(l.Contrast, contrastLine{*number(nm, decimalsNM),
			number(c.contrast.Visibility[i], decimals), number(c.contrast.SD[i], decimals), number(c.contrast.Fitted[i], decimals)})
	}
	return l
}
