// Package estimate finds the thickness of a thinned die from one reflectance
// spectrum, by itself: no history, no prior thickness.
//
// The fringe phase fixes the thickness to nanometres but repeats every half
// wavelength, so one good fit proves nothing. A search therefore compares the
// spectrum with templates over the whole range of thickness, spread and layer
// thickness, the local best of which are refined by least squares with every
// unknown of the die free (package die) and with lamp drift as scale, slope,
// curvature and offset under weak priors. What is left after refinement are the
// candidates, usually neighbouring fringe orders; their weights say whether the
// spectrum tells them apart.
package estimate
