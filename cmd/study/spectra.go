package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"runtime"
	"sync"

	"github.com/spf13/cobra"

	"bluefringe/optics/die"
	"bluefringe/optics/estimate"
	"bluefringe/optics/testspectra"
)

func newSpectra() *cobra.Command {
	var n int
	var set string
	var verbose bool
	cmd := &cobra.Command{
		Use:   "spectra",
		Short: "Try the estimator on test spectra",
		Long: `Try the estimator on thousands of test spectra, cold, each by itself, and print how
many were right, flagged and wrong by thickness.`,
		Example: `  go run ./cmd/study spectra -n 10000 > optics/estimate/STUDY.md
  go run ./cmd/study spectra -n 200 --set undeclared --verbose`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return studySpectra(cmd.Context(), cmd.OutOrStdout(), n, set, verbose)
		},
	}
	f := cmd.Flags()
	f.IntVarP(&n, "count", "n", 1000, "spectra of each set")
	f.BoolVarP(&verbose, "verbose", "v", false, "print the spectra that were read wrong")
	f.StringVar(&set, "set", "", "only this set: ordinary, undeclared or channels")
	return cmd
}

// reading is one spectrum and what was read from it.
type reading struct {
	specimen testspectra.Specimen
	result   estimate.Result
}

func (t reading) missNM() float64 {
	return math.Abs(t.result.ThicknessUM*1000 - t.specimen.ThicknessNM)
}

func (t reading) told() bool { return t.result.Quality <= estimate.Weak }

const minNM, maxNM = 150, 8000

func studySpectra(ctx context.Context, w io.Writer, n int, only string, verbose bool) error {
	fmt.Fprintf(w, "# The estimator on test spectra\n\nMade by `go run ./cmd/study spectra -n %d`; the spectra are those of `optics/testspectra`: %g to\n%g nm of silicon, 1024 pixels from 410 to 1000 nm, each read cold and by itself.\n", n, float64(minNM), float64(maxNM))
	for _, s := range []struct {
		name, what string
		draw       func(*rand.Rand, float64, float64) testspectra.Specimen
		tolerance  func(nm float64) float64
	}{
		{"ordinary", "Right is inside the larger of 3 nm and 0.3 %.", testspectra.Ordinary,
			func(nm float64) float64 { return math.Max(3, 0.003*nm) }},
		{"undeclared", "Right is inside the larger of 8 nm and 0.6 %; wrong is outside both that and three\nstated standard deviations.", testspectra.Undeclared,
			func(nm float64) float64 { return math.Max(8, 0.006*nm) }},
	} {
		if only != "" && only != s.name {
			continue
		}
		readings, err := try(ctx, n, 410, 1000, testspectra.Vuye, s.draw)
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "\n## %s\n\n%s\n\n", s.name, s.what)
		table(w, readings, s.tolerance, s.name == "undeclared")
		if verbose {
			tell(w, readings, s.tolerance)
		}
	}
	if only != "" && only != "channels" {
		return nil
	}
	return studyChannels(ctx, w, max(1, n/10), verbose)
}

// tell prints the spectra that were read wrong.
func tell(w io.Writer, readings []reading, tolerance func(nm float64) float64) {
	for _, t := range readings {
		if t.told() && t.missNM() > tolerance(t.specimen.ThicknessNM) {
			r := t.result
			fmt.Fprintf(w, "%+v\n  read %.4f sd %.4f %v spread %.1f cov %.2f under %.0f scale %.3f res %.4f cand %.4v\n", t.specimen, r.ThicknessUM, r.SDUM, r.Quality, r.SpreadUM*1000, r.Coverage, r.UnderNM, r.Scale, r.Residual, r.Candidates)
		}
	}
}

// studyChannels tries channels of other ranges, and silicon of another measurement.
func studyChannels(ctx context.Context, w io.Writer, n int, verbose bool) error {
	fmt.Fprintf(w, "\n## by channel and silicon\n\n%d ordinary spectra each, %g to %g nm. Right is inside the larger of 3 nm and 0.3 %%; wrong\nis outside both that and three stated standard deviations.\n\n", n, float64(minNM), float64(maxNM))
	fmt.Fprintln(w, "| channel, silicon | spectra | right and good | right | flagged | outside, but within 3 sd | wrong | in 95 % interval |")
	fmt.Fprintln(w, "| --- | --- | --- | --- | --- | --- | --- | --- |")
	tolerance := func(nm float64) float64 { return math.Max(3, 0.003*nm) }
	for _, channel := range [][2]float64{{400, 650}, {430, 720}, {450, 850}, {700, 1000}, {410, 1000}} {
		for _, silicon := range []struct {
			name string
			of   testspectra.Silicon
		}{{"Vuye", testspectra.Vuye}, {"Schinke", testspectra.Schinke}} {
			readings, err := try(ctx, n, channel[0], channel[1], silicon.of, testspectra.Ordinary)
			if err != nil {
				return err
			}
			row(w, fmt.Sprintf("%g to %g nm, %s", channel[0], channel[1], silicon.name), readings, 0, math.Inf(1), tolerance, true)
			if verbose {
				tell(w, readings, tolerance)
			}
		}
	}
	return nil
}

// try reads n spectra of a channel of 1024 pixels on all cores. Each has its own random numbers, so that the
// result does not depend on the number of cores.
func try(ctx context.Context, n int, fromNM, toNM float64, silicon testspectra.Silicon, draw func(*rand.Rand, float64, float64) testspectra.Specimen) ([]reading, error) {
	wavelengthNM := make([]float64, 1024)
	for i := range wavelengthNM {
		wavelengthNM[i] = fromNM + (toNM-fromNM)*float64(i)/1023
	}
	generator, err := testspectra.New(wavelengthNM, silicon)
	if err != nil {
		return nil, err
	}
	setup := die.Setup{Ambient: "air", TemperatureC: 26.85,
		Under:     []die.Layer{{Material: "SiO2", ThicknessNM: 800, ToleranceNM: 80}},
		Reflector: "Al", CoverageMin: 0.2, CoverageMax: 0.9}
	readings := make([]reading, n)
	errs := make([]error, runtime.NumCPU())
	var wg sync.WaitGroup
	for worker := range errs {
		wg.Go(func() {
			e, err := estimate.New(setup, wavelengthNM, estimate.Options{})
			if err != nil {
				errs[worker] = err
				return
			}
			for i := worker; i < n && ctx.Err() == nil; i += len(errs) {
				rng := rand.New(rand.NewPCG(uint64(i), 1))
				t := &readings[i]
				t.specimen = draw(rng, minNM, maxNM)
				if t.result, errs[worker] = e.Measure(generator.Spectrum(t.specimen, rng)); errs[worker] != nil {
					return
				}
			}
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return readings, ctx.Err()
}

func table(w io.Writer, readings []reading, tolerance func(float64) float64, orThreeSD bool) {
	fmt.Fprintln(w, "| nm | spectra | right and good | right | flagged | outside, but within 3 sd | wrong | in 95 % interval |")
	fmt.Fprintln(w, "| --- | --- | --- | --- | --- | --- | --- | --- |")
	edges := []float64{150, 300, 600, 1200, 2400, 4800, 8001}
	for b := 0; b+1 < len(edges); b++ {
		row(w, fmt.Sprintf("%.0f–%.0f", edges[b], edges[b+1]), readings, edges[b], edges[b+1], tolerance, orThreeSD)
	}
	row(w, "all", readings, 0, math.Inf(1), tolerance, orThreeSD)
}

func row(w io.Writer, name string, readings []reading, low, high float64, tolerance func(float64) float64, orThreeSD bool) {
	var n, good, right, flagged, doubtful, wrong, told, covered int
	for _, t := range readings {
		nm := t.specimen.ThicknessNM
		if nm < low || nm >= high {
			continue
		}
		n++
		if !t.told() {
			flagged++
			continue
		}
		told++
		sdNM := t.result.SDUM * 1000
		if t.missNM() <= 1.96*sdNM {
			covered++
		}
		switch {
		case t.missNM() <= tolerance(nm):
			right++
			if t.result.Quality == estimate.Good {
				good++
			}
		case orThreeSD && t.missNM() <= 3*sdNM:
			doubtful++
		default:
			wrong++
		}
	}
	share := func(k, of int) string {
		if of == 0 {
			return "–"
		}
		return fmt.Sprintf("%.2f %%", 100*float64(k)/float64(of))
	}
	fmt.Fprintf(w, "| %s | %d | %s | %s | %s | %s | %s | %s |\n", name, n, share(good, n), share(right, n), share(flagged, n), share(doubtful, n), share(wrong, n), share(covered, told))
}
