package removal

import (
	"encoding/csv"
	"math"
	"math/big"
	"os"
	"strconv"
	"testing"
)

// The Nile with the local level model: a random walk of variance 1469.1 seen with
// variance 15099 (J. Durbin and S. J. Koopman, Time Series Analysis by State Space
// Methods, 2nd ed. 2012, p. 37). The stored filter output is that of a
// general-purpose statistics library. The filter's second state is idle but wide.
func TestFilterOnTheNile(t *testing.T) {
	file, err := os.Open("testdata/nile_local_level.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	reader := csv.NewReader(file)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	var x gauss2
	const observed, level = 15099, 1469.1
	for i, row := range rows[1:] {
		value := func(name string) float64 {
			v, err := strconv.ParseFloat(row[column[name]], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		if i == 0 { // exact diffuse start
			x = gauss2{a: value("flow"), aa: observed, bb: 7}
		} else {
			x = x.moved(motion{bb: 1, qaa: level})
			within(t, row[0]+" predicted", x.a, value("pred"), 1e-5)
			within(t, row[0]+" predicted variance", x.aa, value("pred_var"), 1e-5)
			x = x.measured(value("flow"), observed)
		}
		within(t, row[0]+" filtered", x.a, value("filt"), 1e-5)
		within(t, row[0]+" filtered variance", x.aa, value("filt_var"), 1e-5)
	}
	within(t, "1970", x.a, 798.370, 1e-3)
	within(t, "1970 variance", x.aa, 4032.158, 1e-3)
	if x.bb != 7 || x.ab != 0 {
		t.Errorf("idle state moved: %+v", x)
	}
}

// A constant rate seen without process noise is a straight line: the filter must
// give the least-squares line and its textbook covariance.
func TestFilterIsLeastSquares(t *testing.T) {
	const n, dt, sd = 40, 0.5, 0.003
	x := gauss2{a: 0, aa: 1e6, bb: 1e6}
	var st, sy, stt, sty float64
	for i := range n {
		if i > 0 {
			x = x.moved(motion{ab: -dt, bb: 1})
		}
		at, y := dt*float64(i), 5-0.01*dt*float64(i)+sd*math.Sin(float64(7*i))
		x = x.measured(y, sd*sd)
		st, sy, stt, sty = st+at, sy+y, stt+at*at, sty+at*y
	}
	slope := (n*sty - st*sy) / (n*stt - st*st)
	within(t, "rate", x.b, -slope, 1e-9)
	within(t, "level", x.a, sy/n+slope*(dt*(n-1)-st/n), 1e-9)
	within(t, "variance of the rate", x.bb/(sd*sd*n/(n*stt-st*st)), 1, 1e-6)
	if x.aa*x.bb-x.ab*x.ab <= 0 {
		t.Errorf("covariance is not positive: %+v", x)
	}
}

// The integrals against the same closed forms in 200-bit arithmetic (exponential
// by its series), on both sides of the switch to the series.
func TestIntegralsKeepTheirDigits(t *testing.T) {
	const theta = 0.25 // exact in binary
	number := func(x float64) *big.Float { return new(big.Float).SetPrec(200).SetFloat64(x) }
	exp := func(x *big.Float) *big.Float {
		sum, term := number(1), number(1)
		for i := 1; i < 80; i++ {
			term = new(big.Float).Quo(new(big.Float).Mul(term, x), number(float64(i)))
			sum = new(big.Float).Add(sum, term)
		}
		return sum
	}
	for _, x := range []float64{1e-8, 1e-4, 3e-3, 9.99e-3, 1.01e-2, 0.1, 1, 5} {
		at := x / theta
		one, th := number(1), number(theta)
		tt := number(at)
		e1 := exp(new(big.Float).Neg(new(big.Float).Mul(th, tt)))
		reach := new(big.Float).Quo(new(big.Float).Sub(one, e1), th)
		e2 := new(big.Float).Mul(e1, e1)
		qvv := new(big.Float).Quo(new(big.Float).Sub(one, e2), new(big.Float).Mul(number(2), th))
		qii := new(big.Float).Add(new(big.Float).Sub(tt, new(big.Float).Mul(number(2), reach)), qvv)
		qii.Quo(qii, new(big.Float).Mul(th, th))
		qiv := new(big.Float).Quo(new(big.Float).Mul(reach, reach), number(2))
		in := ornsteinUhlenbeck(theta, at)
		for name, pair := range map[string]struct {
			got  float64
			want *big.Float
		}{"decay": {in.decay, e1}, "reach": {in.reach, reach}, "qii": {in.qii, qii}, "qiv": {in.qiv, qiv}, "qvv": {in.qvv, qvv}} {
			want, _ := pair.want.Float64()
			within(t, name, pair.got/want, 1, 2e-9)
		}
	}
}
