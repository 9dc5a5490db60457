package material

import (
	"fmt"
	"math"
)

// Carriers are the free carriers of doped silicon. The zero value is none.
type Carriers struct {
	Type   CarrierType
	PerCM3 float64 // concentration, per cm³
}

// CarrierType says whether holes or electrons are free.
type CarrierType string

// The two types.
const (
	PType CarrierType = "p" // holes, boron
	NType CarrierType = "n" // electrons, phosphorus or arsenic
)

// Check tells what is wrong with carriers, if anything.
func (c Carriers) Check() error {
	switch {
	case !(c.PerCM3 >= 0 && c.PerCM3 <= MaxCarriersPerCM3):
		return fmt.Errorf("found %g carriers per cm³: 0 to %g are allowed", c.PerCM3, MaxCarriersPerCM3)
	case c.PerCM3 > 0 && c.Type != PType && c.Type != NType:
		return fmt.Errorf("found carriers of type %q: %s or %s is allowed", string(c.Type), PType, NType)
	}
	return nil
}

// MaxCarriersPerCM3 is where the data behind Shift end.
const MaxCarriersPerCM3 = 1e20

// Shift returns what carriers add to n, and their absorption coefficient in 1/cm:
// M. Nedeljkovic, R. Soref, G. Z. Mashanovich, IEEE Photonics J. 3 (2011) 1171,
// at 1.3 and 1.55 µm. Around these both grow with λ², as free carriers do, and
// between them their ratio to λ² goes over in a straight line. Published models
// spread by ±25 % in absorption about these, more for electrons. The narrowing of
// the band gap, which moves the absorption edge near 1100 nm from about 1e18 per
// cm³ up, is not in it.
func (c Carriers) Shift(wavelengthNM float64) (dn, alphaPerCM float64) {
	if c.PerCM3 <= 0 {
		return 0, 0
	}
	const shortUM, longUM = 1.3, 1.55
	um := wavelengthNM / 1000
	short, long := c.nedeljkovic()
	part := min(max((um-shortUM)/(longUM-shortUM), 0), 1)
	mix := func(short, long float64) float64 {
		return um * um * ((1-part)*short/(shortUM*shortUM) + part*long/(longUM*longUM))
	}
	return mix(short.dn, long.dn), mix(short.alphaPerCM, long.alphaPerCM)
}

type carrierEffect struct{ dn, alphaPerCM float64 }

// nedeljkovic evaluates the paper's fits at 1.3 and at 1.55 µm.
func (c Carriers) nedeljkovic() (short, long carrierEffect) {
	power := func(factor, exponent float64) float64 { return factor * math.Pow(c.PerCM3, exponent) }
	if c.Type == PType {
		return carrierEffect{-power(1.25e-18, 0.835), power(1.02e-19, 1.089)},
			carrierEffect{-power(1.53e-18, 0.838), power(5.84e-20, 1.109)}
	}
	return carrierEffect{-power(2.98e-22, 1.016), power(3.48e-22, 1.229)},
		carrierEffect{-power(5.4e-22, 1.011), power(8.88e-21, 1.167)}
}

// Dope returns the index of silicon with the carriers in it.
func (c Carriers) Dope(index complex128, wavelengthNM float64) complex128 {
	dn, alphaPerCM := c.Shift(wavelengthNM)
	const cmPerNM = 1e-7
	return index + complex(dn, alphaPerCM*wavelengthNM*cmPerNM/(4*math.Pi))
}
