// Package thick finds the thickness of thick silicon, a few to several hundred
// micrometres, from one near-infrared reflectance spectrum.
//
// The fringes have the phase 4πnd/λ, so on the axis n/λ they are a sinusoid whose
// frequency is twice the thickness. A periodogram on that axis, weighted by the
// contrast that absorption and line width leave, gives the start; least squares
// with the reflectance of the film over its front side finishes.
//
// The phase of the fringes repeats every half wavelength in silicon and holds what
// the front side adds and what the index table has wrong, none of which is known
// well. The fit therefore leaves it free: thickness comes from the frequency. Only
// then is the phase weighed in, as far as front side and table can be trusted, over
// all fringe orders at once: it sharpens thin readings and fades by itself where the
// table's error reaches a fringe.
//
// Lengths are nanometres inside, micrometres where names say so.
package thick
