// Package optics holds the reflectance of plane layer stacks.
//
// Conventions, for this package and all below it: time dependence
// exp(-iωt), so an absorbing medium has the index n + ik with k >= 0 and a
// wave gains exp(+i·2π·N·d/λ) over the depth d. Inside the packages lengths
// are nanometres and angles are radians; where a value crosses a package
// boundary its name carries the unit.
//
// Nothing here reads a file, a clock or a terminal: the same input gives the
// same output, bit for bit.
package optics
