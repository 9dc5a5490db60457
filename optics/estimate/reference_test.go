package estimate

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"
	"time"

	"bluefringe/optics/die"
	"bluefringe/optics/material"
	"bluefringe/optics/testspectra"
)

// What testdata/reference_fit.py reads and writes; lengths in nm.
type (
	referenceIndex struct {
		N []float64 `json:"n"`
		K []float64 `json:"k"`
	}
	referenceFit struct {
		Measured []*float64         `json:"measured"` // null: no value
		Start    map[string]float64 `json:"start"`
	}
	referenceJob struct {
		Wavelength []float64                       `json:"wavelength"`
		Index      map[string]referenceIndex       `json:"index"`
		Low        map[string]float64              `json:"low"`
		High       map[string]float64              `json:"high"`
		Prior      map[string][2]float64           `json:"prior"`
		Deviation  map[string]map[string][]float64 `json:"deviation"`
		Noise      float64                         `json:"noise"`
		Repeat     int                             `json:"repeat"`
		Fits       []referenceFit                  `json:"fits"`
	}
	referenceAnswer struct {
		Versions map[string]string `json:"versions"`
		Fits     []struct {
			Thickness        float64   `json:"thickness"`
			SD               float64   `json:"sd"`
			Evaluations      int       `json:"evaluations"`
			Seconds          float64   `json:"seconds"`
			StartReflectance []float64 `json:"start_reflectance"`
			SharpReflectance []float64 `json:"sharp_reflectance"`
		} `json:"fits"`
	}
)

const timedFits = 2 // the fastest counts, on both sides

// The same fit by numpy and scipy, written without this package (scipy.optimize.
// least_squares, "trf": M. A. Branch, T. F. Coleman, Y. Li, SIAM J. Sci. Comput. 21
// (1999) 1), from a start inside the right fringe order. On Debian and Ubuntu it comes
// with: apt-get install python3-numpy python3-scipy.
//
// The same unknowns, bounds and priors, but for three things: the estimator also frees
// the tilt of the face, averages the pixels into bands and takes the size of the
// residuals from the fit, where the script weighs by the noise and so trusts the priors
// less. That moves the thickness by a part of the standard deviation that the fit
// states, which is 0.2 to 3 nm here: 1 nm or 0.05 % is allowed between the two. An index
// error left out of one of them alone would make 1.7 nm at 400 nm.
//
// Times are told and not asserted.
func TestAgainstScipy(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some ten seconds of scipy")
	}
	python := scipyPython(t)
	const (
		noise      = 0.005
		agreeNM    = 1
		agree      = 0.0005
		truthNM    = 3 // the goal of TestColdStart for ordinary spectra
		truth      = 0.003
		startOffNM = 20 // of λ/2n = 60 to 130 nm
		movedNM    = 5  // between one spectrum and the next, for Again
	)
	w := pixels(410, 1000, 1024)
	g := generator(t, w)
	e, err := New(commonDie(), w, Options{})
	if err != nil {
		t.Fatal(err)
	}
	model, err := die.NewModel(e.search.fitter.model.Setup(), w, 0)
	if err != nil {
		t.Fatal(err)
	}
	job := newReferenceJob(t, e.search.fitter, model, w, noise)

	// For each spectrum a start at the nominal die, which owes nothing to the
	// estimator, and one where Again starts: at an earlier fit, moved.
	var specimens []testspectra.Specimen
	var spectra [][]float64
	var cold []Result
	for i, nm := range []float64{400, 2000, 5000} {
		rng := rand.New(rand.NewPCG(uint64(i), 21))
		s := testspectra.Ordinary(rng, nm, nm*1.0001)
		spectrum := g.Spectrum(s, rng)
		r, err := e.Measure(spectrum)
		if err != nil {
			t.Fatal(err)
		}
		if !r.Sure() {
			t.Fatalf("%+v: %v, %s, candidates %v", s, r.Quality, r.Reason, r.Candidates)
		}
		specimens, spectra, cold = append(specimens, s), append(spectra, spectrum), append(cold, r)
		measured := numbersOrNull(spectrum)
		nominal := map[string]float64{"thickness": s.ThicknessNM + startOffNM, "spread": 15, "coverage": 0.55,
			"liner": 15, "oxide": 800, "scale": 1, "slope": 0, "curvature": 0, "offset": 0}
		lamp := e.search.fitter.lamp()
		earlier := map[string]float64{"thickness": s.ThicknessNM + movedNM, "spread": 1000 * r.SpreadUM, "coverage": r.Coverage,
			"liner": r.UnderNM[0], "oxide": r.UnderNM[1],
			"scale": r.at[lamp], "slope": r.at[lamp+1], "curvature": r.at[lamp+2], "offset": r.at[lamp+3]}
		for part, of := range job.Deviation {
			for j := range len(of) {
				nominal[deviation(part, j)], earlier[deviation(part, j)] = 0, r.at[deviationAt(part)+j]
			}
		}
		job.Fits = append(job.Fits, referenceFit{measured, nominal}, referenceFit{measured, earlier})
	}
	answer := runReference(t, python, job)
	t.Logf("python %s, numpy %s, scipy %s", answer.Versions["python"], answer.Versions["numpy"], answer.Versions["scipy"])

	for i, s := range specimens {
		nominal, moved := answer.Fits[2*i], answer.Fits[2*i+1]
		// The two forward models at the same parameters: to rounding and the end of the
		// series without spread, and with it to what package die leaves out of the spread
		// of the absorption, which noise outdoes.
		for k, fit := range answer.Fits[2*i : 2*i+2] {
			start := maps.Clone(job.Fits[2*i+k].Start)
			blurred := rms(fit.StartReflectance, reflectanceAt(model, start))
			start["spread"] = 0
			sharp := rms(fit.SharpReflectance, reflectanceAt(model, start))
			t.Logf("rms between the models without spread %.1g, with %.1g", sharp, blurred)
			if !(sharp < 2e-6) || !(blurred < noise/5) {
				t.Errorf("%.0f nm: reflectances differ by %.2g without spread, %.2g with", s.ThicknessNM, sharp, blurred)
			}
		}

		again, ok, err := e.Again(spectra[i], cold[i], (s.ThicknessNM+movedNM)/1000)
		if err != nil || !ok {
			t.Fatalf("%.0f nm: again: ok %v, %v", s.ThicknessNM, ok, err)
		}
		readings := []struct {
			name string
			nm   float64
		}{
			{"Measure", 1000 * cold[i].ThicknessUM}, {"Again", 1000 * again.ThicknessUM},
			{"scipy", nominal.Thickness}, {"scipy from where Again starts", moved.Thickness},
		}
		for _, r := range readings {
			if off := math.Abs(r.nm - s.ThicknessNM); !(off <= math.Max(truthNM, truth*s.ThicknessNM)) {
				t.Errorf("%.2f nm: %s reads %.2f nm", s.ThicknessNM, r.name, r.nm)
			}
		}
		for _, ours := range readings[:2] {
			for _, theirs := range readings[2:] {
				if off := math.Abs(ours.nm - theirs.nm); !(off <= math.Max(agreeNM, agree*s.ThicknessNM)) {
					t.Errorf("%.2f nm: %s reads %.2f nm, %s %.2f nm", s.ThicknessNM, ours.name, ours.nm, theirs.name, theirs.nm)
				}
			}
		}
		t.Logf("truth %.2f nm: Measure %+.2f, Again %+.2f, fit sd %.2f; scipy %+.2f, %+.2f, sd %.2f",
			s.ThicknessNM, readings[0].nm-s.ThicknessNM, readings[1].nm-s.ThicknessNM, 1000*again.FitSDUM,
			readings[2].nm-s.ThicknessNM, readings[3].nm-s.ThicknessNM, moved.SD)

		measureS := fastest(t, func() error { _, err := e.Measure(spectra[i]); return err })
		againS := fastest(t, func() error {
			_, _, err := e.Again(spectra[i], cold[i], (s.ThicknessNM+movedNM)/1000)
			return err
		})
		t.Logf("  Again %.1f ms, scipy from there %.0f ms (%d evaluations): %.0f times; "+
			"Measure, which searches all orders, %.1f ms, scipy from a nominal die in the right order %.0f ms (%d evaluations): %.0f times",
			1000*againS, 1000*moved.Seconds, moved.Evaluations, moved.Seconds/againS,
			1000*measureS, 1000*nominal.Seconds, nominal.Evaluations, nominal.Seconds/measureS)
	}
}

// newReferenceJob is everything but the spectra: indices, and bounds and priors as the
// fitter has them.
func newReferenceJob(t *testing.T, f *fitter, model *die.Model, wavelengthNM []float64, noise float64) referenceJob {
	t.Helper()
	setup := f.model.Setup()
	job := referenceJob{Wavelength: wavelengthNM, Noise: noise, Repeat: timedFits, Index: map[string]referenceIndex{}, Deviation: map[string]map[string][]float64{},
		Low: map[string]float64{}, High: map[string]float64{}, Prior: map[string][2]float64{}}
	for name, of := range map[string]string{"ambient": setup.Ambient, "silicon": "Si",
		"liner": setup.Under[0].Material, "oxide": setup.Under[1].Material, "metal": setup.Reflector} {
		m, err := material.Lookup(of)
		if err != nil {
			t.Fatal(err)
		}
		index, err := m.Indices(wavelengthNM, setup.TemperatureC)
		if err != nil {
			t.Fatal(err)
		}
		var v referenceIndex
		for _, n := range index {
			v.N, v.K = append(v.N, real(n)), append(v.K, imag(n))
		}
		job.Index[name] = v
	}
	lamp := f.lamp()
	at := map[string]int{"thickness": atThickness, "coverage": atCoverage, "liner": atUnder, "oxide": atUnder + 1,
		"scale": lamp, "slope": lamp + 1, "curvature": lamp + 2, "offset": lamp + 3}
	ofN, ofK := model.Deviations()
	for part, shapes := range map[string][][]float64{"n": ofN, "k": ofK} {
		job.Deviation[part] = map[string][]float64{}
		for j, shape := range shapes {
			at[deviation(part, j)], job.Deviation[part][deviation(part, j)] = deviationAt(part)+j, shape
		}
	}
	for name, k := range at {
		job.Low[name], job.High[name] = f.Low[k], f.High[k]
		if !math.IsInf(f.PriorSD[k], 0) {
			job.Prior[name] = [2]float64{f.Prior[k], f.PriorSD[k]}
		}
	}
	job.Low["spread"], job.High["spread"] = 0, maxSpreadNM
	return job
}

func deviation(part string, j int) string { return fmt.Sprintf("%s_%d", part, j+1) }

func deviationAt(part string) int {
	if part == "n" {
		return atDispersion
	}
	return atAbsorption
}

func reflectanceAt(model *die.Model, at map[string]float64) []float64 {
	p := model.Nominal(at["thickness"])
	p.SpreadVarNM2 = at["spread"] * at["spread"]
	p.Coverage = at["coverage"]
	for j := range p.Dispersion {
		p.Dispersion[j] = at[deviation("n", j)]
	}
	for j := range p.Absorption {
		p.Absorption[j] = at[deviation("k", j)]
	}
	p.UnderNM[0], p.UnderNM[1] = at["liner"], at["oxide"]
	e := model.NewEvaluation()
	model.Evaluate(e, p)
	return e.Reflectance
}

// scipyPython returns a python3 that has numpy and scipy, or skips the test.
func scipyPython(t *testing.T) string {
	t.Helper()
	for _, python := range []string{"python3", "/usr/bin/python3"} {
		if exec.CommandContext(t.Context(), python, "-c", "import numpy, scipy.optimize").Run() == nil {
			return python
		}
	}
	t.Skip("no python3 with numpy and scipy, in PATH or /usr/bin: install python3-numpy and python3-scipy to compare")
	return ""
}

func runReference(t *testing.T, python string, job referenceJob) referenceAnswer {
	t.Helper()
	input, err := json.Marshal(job)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, python, "testdata/reference_fit.py")
	// One thread, as ours; and glibc is to keep the memory of arrays, without which
	// the script takes several times as long.
	cmd.Env = append(os.Environ(), "OPENBLAS_NUM_THREADS=1", "PYTHONDONTWRITEBYTECODE=1",
		"MALLOC_MMAP_THRESHOLD_=67108864", "MALLOC_TRIM_THRESHOLD_=268435456")
	cmd.Stdin = bytes.NewReader(input)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	output, err := cmd.Output()
	if err != nil {
		t.Fatalf("reference_fit.py: %v\n%s", err, complaint.String())
	}
	var answer referenceAnswer
	if err := json.Unmarshal(output, &answer); err != nil {
		t.Fatalf("reference_fit.py: %v", err)
	}
	if len(answer.Fits) != len(job.Fits) {
		t.Fatalf("reference_fit.py: %d fits, want %d", len(answer.Fits), len(job.Fits))
	}
	return answer
}

func numbersOrNull(values []float64) []*float64 {
	out := make([]*float64, len(values))
	for i := range values {
		if !math.IsNaN(values[i]) {
			out[i] = &values[i]
		}
	}
	return out
}

func rms(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += (a[i] - b[i]) * (a[i] - b[i])
	}
	return math.Sqrt(sum / float64(len(a)))
}

// fastest is the seconds of the fastest of several calls.
func fastest(t *testing.T, call func() error) float64 {
	t.Helper()
	best := math.Inf(1)
	for range timedFits {
		begin := time.Now()
		if err := call(); err != nil {
			t.Fatal(err)
		}
		best = math.Min(best, time.Since(begin).Seconds())
	}
	return best
}
