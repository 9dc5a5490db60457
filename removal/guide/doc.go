// Package guide is the engine: reflectance to estimate to track to forecast to
// advice. Every command that says how thick the silicon is or when to stop goes
// through it.
//
// It takes values (a spectrum with its time and site, a change of the process, the
// passing of time) and gives values. It reads no clock: the time of the data is
// the only time there is, so a replay is exactly a live run.
//
// An estimate is what one spectrum says by itself; it does not depend on what came
// before. A track joins the estimates of one site by Preston's law (package
// removal). The advice looks at all sites (package advice).
package guide
