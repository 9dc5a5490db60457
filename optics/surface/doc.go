// Package surface makes a map of a die out of readings at its sites: the mean of a
// site, and the plane or bowed surface through the sites.
//
// Positions are mm from the middle of the die, thicknesses µm. Uncertainties are
// standard uncertainties in the sense of JCGM 100:2008 (GUM): 4.2 for the mean of
// readings, 5.2 for what is computed from a fit, whose parameters are correlated.
// A fit takes the points as independent. Errors that they share, such as that of the
// silicon table, do not shrink with the number of points but drop out of differences.
package surface
