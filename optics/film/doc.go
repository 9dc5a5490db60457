// Package film reads a transparent film on bare silicon, such as 0.5 to 5 µm of oxide
// or resist, from one reflectance spectrum, and from it what the instrument does to
// fringes: the width of its line, its stray light, its contrast by wavelength.
//
// The film does not absorb, so its fringes have the same, known contrast at every
// wavelength; what is missing is the instrument's doing (or a film whose thickness
// varies inside the spot, which looks much like a wide line). The thickness comes from
// the fringe phase, the line from how contrast falls where fringes get closer toward
// the blue, the stray light from what is missing everywhere.
//
// Stray light is light of other colours that the detector takes for this one: a share
// s of the mean signal, the same at every pixel, on film and reference alike. With P the
// pure signal of a reference of reflectance ρ, p its mean and M the mean of P·R/ρ over
// p, what the calibration makes of it is
//
//	R' = (P·R + s·p·ρ·M)/(P + s·p),
//
// which for the same light everywhere is R' = (R + s·mean R)/(1 + s).
package film
