package die

import (
	"fmt"

	"bluefringe/optics/material"
)

// Setup is what is known of the die and of how it is looked at.
type Setup struct {
	Ambient      string // material that touches the silicon while measuring: "air" or "water"
	TemperatureC float64
	Under        []Layer // below the silicon, nearest first

	// Reflector is the first metal below the layers, empty for none. It fills
	// an unknown part of the spot between the two coverages, 0 to 1.
	Reflector                string
	CoverageMin, CoverageMax float64

	// ResolutionNM is the full width at half maximum of the instrument's line.
	ResolutionNM float64

	// NA is the numerical aperture of the light, a filled cone; 0 for parallel light.
	NA float64

	// Library knows the materials named here; nil for the built-in ones.
	Library *material.Library
	// Carriers dope the silicon; zero for none.
	Carriers material.Carriers
}

// Layer is one film below the silicon; the true thickness lies within the
// tolerance of the nominal one.
type Layer struct {
	Material                 string
	ThicknessNM, ToleranceNM float64
}

// beyond is what a front side without metal is taken to be under its named
// layers: interlevel oxide, far deeper than the light returns from in phase.
const beyond = "SiO2"

// indices holds the index of every medium of a set-up, per wavelength.
type indices struct {
	silicon, ambient, metal, end []complex128
	under                        [][]complex128 // [layer][pixel]
}

func (s Setup) indices(wavelengthNM []float64) (indices, error) {
	err := s.Carriers.Check()
	look := func(what, name string) []complex128 {
		if err != nil {
			return nil
		}
		m, lookErr := s.Library.Lookup(name)
		if lookErr == nil {
			var index []complex128
			if index, lookErr = m.Indices(wavelengthNM, s.TemperatureC); lookErr == nil {
				return index
			}
		}
		err = fmt.Errorf("%s: %w", what, lookErr)
		return nil
	}
	all := indices{silicon: look("silicon", "Si"), ambient: look("ambient", s.Ambient)}
	for i := range all.silicon {
		all.silicon[i] = s.Carriers.Dope(all.silicon[i], wavelengthNM[i])
	}
	for i, layer := range s.Under {
		all.under = append(all.under, look(fmt.Sprintf("layer %d under the silicon", i+1), layer.Material))
	}
	if s.Reflector != "" {
		all.metal = look("reflector", s.Reflector)
	}
	if n := len(s.Under); n > 0 {
		all.end = all.under[n-1]
	} else {
		all.end = look("front side", beyond)
	}
	return all, err
}
