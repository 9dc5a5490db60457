package simulate

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"strconv"
	"strings"

	"bluefringe/optics/material"

	"gonum.org/v1/gonum/interp"
)

// vuyeCSV is the ellipsometry of G. Vuye et al., Thin Solid Films 233 (1993) 166,
// at 20 °C; the head of the file gives the whole reference.
//
//go:embed tables/si_vuye1993_20C.csv
var vuyeCSV string

// Where the silicon tables are joined, in nm. Vuye's k falls away from every
// other measurement above 465 nm (to a third of Green's at 530 nm), toward the
// noise floor of ellipsometry; Vuye's n agrees with Green's to 0.15 % up to 640 nm
// and then drifts off, to 0.65 % at 810 nm, where Green and C. Schinke et al., AIP
// Advances 5 (2015) 067168 agree to 0.2 %. So k is joined to Green's between the
// first two and n between the last two, before it drifts: no more than 0.2 % apart anywhere above
// 430 nm, which is how far sound tables differ.
const (
	joinKFromNM, joinKToNM = 440, 475
	joinNFromNM, joinNToNM = 560, 660
	vuyeC                  = 20 // temperature of the table
)

// indexFunc gives n + ik at a wavelength.
type indexFunc func(wavelengthNM float64) (complex128, error)

// materialIndex is a material of package material at a temperature.
func materialIndex(name string, temperatureC float64) (indexFunc, error) {
	m, err := material.Lookup(name)
	if err != nil {
		return nil, err
	}
	return func(nm float64) (complex128, error) { return m.Index(nm, temperatureC) }, nil
}

// doped is silicon with free carriers in it.
func (f indexFunc) doped(carriers material.Carriers) indexFunc {
	return func(nm float64) (complex128, error) {
		index, err := f(nm)
		return carriers.Dope(index, nm), err
	}
}

// siliconIndex is the silicon of one of the tables that Die.Silicon names.
func siliconIndex(table string, temperatureC float64) (indexFunc, error) {
	green, err := materialIndex("Si", temperatureC)
	if err != nil {
		return nil, err
	}
	switch table {
	case "green":
		return green, nil
	case "vuye":
	default:
		return nil, fmt.Errorf("unknown silicon table %q: known are green, vuye", table)
	}
	cold, err := materialIndex("Si", vuyeC)
	if err != nil {
		return nil, err
	}
	v, err := loadVuye()
	if err != nil {
		return nil, err
	}
	// Temperature, and Green's values beyond the joins, come in by way of the
	// ratio of Vuye to Green at 20 °C.
	return func(nm float64) (complex128, error) {
		if nm < v.minNM {
			return 0, fmt.Errorf("silicon table vuye has no index at %g nm: it begins at %g nm", nm, v.minNM)
		}
		here, err := green(nm)
		if err != nil {
			return 0, err
		}
		there, err := cold(nm)
		if err != nil {
			return 0, err
		}
		n, k := real(here), imag(here)
		if s := smoothStep((joinNToNM - nm) / (joinNToNM - joinNFromNM)); s > 0 {
			n *= 1 + s*(v.n.Predict(nm)/real(there)-1)
		}
		if s := smoothStep((joinKToNM - nm) / (joinKToNM - joinKFromNM)); s > 0 {
			k *= math.Exp(s * (v.logK.Predict(nm) - math.Log(imag(there))))
		}
		return complex(n, k), nil
	}, nil
}

type vuye struct {
	minNM   float64
	n, logK interp.AkimaSpline
}

func loadVuye() (*vuye, error) {
	r := csv.NewReader(strings.NewReader(vuyeCSV))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("silicon table vuye: %w", err)
	}
	var nm, n, logK []float64
	for _, row := range rows[1:] {
		var v [3]float64
		for j := range v {
			if v[j], err = strconv.ParseFloat(row[j], 64); err != nil {
				return nil, fmt.Errorf("silicon table vuye: %w", err)
			}
		}
		nm, n, logK = append(nm, v[0]), append(n, v[1]), append(logK, math.Log(v[2]))
	}
	v := &vuye{minNM: nm[0]}
	if err := v.n.Fit(nm, n); err != nil {
		return nil, fmt.Errorf("silicon table vuye: %w", err)
	}
	if err := v.logK.Fit(nm, logK); err != nil {
		return nil, fmt.Errorf("silicon table vuye: %w", err)
	}
	return v, nil
}

// smoothStep rises from 0 at 0 to 1 at 1 without a kink.
func smoothStep(x float64) float64 {
	x = math.Min(1, math.Max(0, x))
	return x * x * (3 - 2*x)
}
