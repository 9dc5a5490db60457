package optics

import (
	"math"
	"math/cmplx"
)

// Layer is one film of a stack.
type Layer struct {
	Index       complex128 // n + ik, k >= 0
	ThicknessNM float64
}

// Polarisation of the light at oblique incidence.
type Polarisation int

// The two linear polarisations: electric field perpendicular to the plane of
// incidence (S) and in it (P). At normal incidence they are the same but for
// the sign convention of the amplitude; the reflectance is equal.
const (
	S Polarisation = iota
	P
)

// Amplitude returns the complex amplitude reflection coefficient of a stack
// seen from the medium ambient: layers[0] touches the ambient medium, the last
// layer touches the half-space substrate. angleRad is the angle of incidence in
// the ambient medium, whose index should be real.
//
// It is the recursion of Fresnel coefficients from the deepest interface up
// (G. B. Airy 1833; L. G. Parratt, Phys. Rev. 95 (1954) 359). Only decaying
// exponentials occur, so it stays exact for any depth of absorbing layer, where
// the characteristic-matrix form overflows.
func Amplitude(wavelengthNM float64, ambient complex128, layers []Layer, substrate complex128, angleRad float64, pol Polarisation) complex128 {
	transverse := ambient * complex(math.Sin(angleRad), 0)
	below := medium(substrate, transverse, pol)
	r := complex(0, 0)
	for i := len(layers) - 1; i >= 0; i-- {
		here := medium(layers[i].Index, transverse, pol)
		interfaceR := fresnel(here, below)
		// r is the coefficient of everything under `below`, already brought to
		// its upper face by that layer's round trip.
		r = join(interfaceR, r)
		r *= cmplx.Exp(complex(0, 4*math.Pi*layers[i].ThicknessNM/wavelengthNM) * here.normal)
		below = here
	}
	return join(fresnel(medium(ambient, transverse, pol), below), r)
}

// Reflectance returns the reflected fraction of the power, |Amplitude|².
func Reflectance(wavelengthNM float64, ambient complex128, layers []Layer, substrate complex128, angleRad float64, pol Polarisation) float64 {
	r := Amplitude(wavelengthNM, ambient, layers, substrate, angleRad, pol)
	return real(r)*real(r) + imag(r)*imag(r)
}

// Interface returns the amplitude reflection coefficient at normal incidence
// from a medium of index from onto one of index to.
func Interface(from, to complex128) complex128 {
	return (from - to) / (from + to)
}

// wave is what an interface needs to know of a medium: the normal component of
// the wave vector in units of 2π/λ, and the admittance for the polarisation.
type wave struct {
	normal, admittance complex128
}

func medium(index, transverse complex128, pol Polarisation) wave {
	normal := cmplx.Sqrt(index*index - transverse*transverse)
	// The wave that carries power away decays with depth.
	if imag(normal) < 0 || (imag(normal) == 0 && real(normal) < 0) {
		normal = -normal
	}
	if pol == P {
		return wave{normal, index * index / normal}
	}
	return wave{normal, normal}
}

func fresnel(from, to wave) complex128 {
	return (from.admittance - to.admittance) / (from.admittance + to.admittance)
}

// join adds an interface of coefficient top to what returns from below it.
func join(top, below complex128) complex128 {
	return (top + below) / (1 + top*below)
}
