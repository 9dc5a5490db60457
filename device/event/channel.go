package event

import "fmt"

// MiddleSite is the site of an event that names none.
const MiddleSite = "c"

// SiteName returns the site, MiddleSite when the line named none.
func (s Spectrum) SiteName() string {
	if s.Site == "" {
		return MiddleSite
	}
	return s.Site
}

// What light a spectrometer for silicon can see. A wavelength outside is in another
// unit, or a polynomial gone wrong.
const minWavelengthNM, maxWavelengthNM = 150, 2600

// HasWavelengths tells whether the channel says anything of its wavelengths; a mask
// may stand alone.
func (c Channel) HasWavelengths() bool {
	return len(c.WavelengthNM) > 0 || len(c.WavelengthPoly) > 0 || c.Pixels != 0
}

// Wavelengths returns the wavelength of every pixel in nanometres: 150 to 2600 nm
// and strictly rising or strictly falling. The slice is the caller's.
func (c Channel) Wavelengths() ([]float64, error) {
	list, err := c.expand()
	if err != nil {
		return nil, err
	}
	if len(list) > MaxPixels {
		return nil, fmt.Errorf("found %d pixels, at most %d are allowed", len(list), MaxPixels)
	}
	for i, w := range list {
		if !(w >= minWavelengthNM && w <= maxWavelengthNM) {
			return nil, fmt.Errorf("pixel %d has the wavelength %g nm: %d to %d nm is allowed", i, w, minWavelengthNM, maxWavelengthNM)
		}
		if i == 0 {
			continue
		}
		if w == list[i-1] || (w > list[i-1]) != (list[1] > list[0]) {
			return nil, fmt.Errorf("pixels %d and %d have the wavelengths %g and %g nm: only rising or only falling wavelengths are allowed", i-1, i, list[i-1], w)
		}
	}
	return list, nil
}

func (c Channel) expand() ([]float64, error) {
	switch {
	case len(c.WavelengthNM) > 0 && len(c.WavelengthPoly) > 0:
		return nil, fmt.Errorf("found both wavelength_nm and wavelength_poly: one of them is allowed")
	case len(c.WavelengthNM) > 0:
		if c.Pixels != 0 && c.Pixels != len(c.WavelengthNM) {
			return nil, fmt.Errorf("pixels is %d, but wavelength_nm has %d values", c.Pixels, len(c.WavelengthNM))
		}
		return append([]float64(nil), c.WavelengthNM...), nil
	case len(c.WavelengthPoly) == 0:
		return nil, fmt.Errorf("found no wavelengths: wavelength_nm, or wavelength_poly with pixels, is needed")
	case len(c.WavelengthPoly) > maxPoly:
		return nil, fmt.Errorf("wavelength_poly has %d coefficients: at most %d are allowed", len(c.WavelengthPoly), maxPoly)
	case c.Pixels < 1 || c.Pixels > MaxPixels:
		return nil, fmt.Errorf("pixels is %d: with wavelength_poly, 1 to %d is allowed", c.Pixels, MaxPixels)
	}
	list := make([]float64, c.Pixels)
	for i := range list {
		for k := len(c.WavelengthPoly) - 1; k >= 0; k-- {
			list[i] = list[i]*float64(i) + c.WavelengthPoly[k]
		}
	}
	return list, nil
}

// maxPoly is far beyond any spectrometer's calibration, which has 4 or 5.
const maxPoly = 16
