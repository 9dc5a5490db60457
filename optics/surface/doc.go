// Package surface makes a map of a die out of readings at its sites: the mean of a
// site, and the plane or bowed surface through the sites.
//
// Positions are mm from the middle of the die, thicknesses µm. Uncertainties are
// standard uncertainties in the sense of JCGM 100:2008 (GUM): 4.2 for the mean of
// readings, 5.2 for what is computed from sites, whose errors are correlated.
//
// An error belongs to a reading, to a site or to the die. Noise is new in every
// reading. What the model of the front side leaves out is new at every site. The
// silicon table, the temperature and the wavelength scale are wrong in the same
// proportion everywhere: such an error moves the mean of the die in full, and a
// difference, a tilt or a bow only in proportion to themselves.
package surface
