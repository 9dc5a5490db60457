// Package die is the reflectance of a thinned die seen from its back:
// silicon of unknown thickness over a patterned front side.
//
// The front side is metal in part of the measuring spot (the coverage) and
// dielectric without metal in the rest; the areas are larger than the coherence
// of the light across the face, so their intensities add. In the metal part the
// layers named in Setup lie between silicon and metal; in the rest the last of
// them has no end.
//
// Written as a series in the round-trip factor q of the silicon film, the
// reflectance of one area is
//
//	R = |A|² + S + 2 Re[(κ+S) Σ_{m≥1} w_m q^m],   q = r10·ρ·exp(i·4πNd/λ)
//
// with A and r10 the outer and inner coefficients of the silicon face, ρ that of
// the front side seen from inside, T = 1-A², κ = (T/r10)·A*,
// S = |T/r10|²·|q|²/(1-|q|²): the Airy sum (Born & Wolf, Principles of Optics,
// sec. 7.6) multiplied out. Whatever blurs the fringe phase by a Gaussian of
// variance 2g only changes the weights, w_m = exp(-m²g): the spread of
// thickness inside the spot and the resolution of the instrument. That spread also
// averages the absorption, so its part of g is complex. A face that is tilted inside the
// spot has a uniform spread, whose weights are sin(mx)/(mx) and change sign; Params.Tilt
// goes from the one to the other. Derivatives in
// thickness, spread, coverage and layer thickness come from the same few complex
// numbers.
package die
