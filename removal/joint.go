package removal

// joint is a Gaussian over the rate factor's common parts and, for each place, its
// thickness in µm and its own part of the rate factor:
//
//	level, glazing, breakIn, wander, z0, own0, z1, own1, …
//
// The covariance is stored whole, row by row.
type joint struct {
	mean, cov []float64
	gain      []float64 // scratch of measured
}

// thicknessOf and ownOf are the indices of a place's two numbers.
func thicknessOf(place int) int { return commons + 2*place }
func ownOf(place int) int       { return commons + 2*place + 1 }

func newJoint() joint {
	return joint{mean: make([]float64, commons), cov: make([]float64, commons*commons), gain: make([]float64, commons)}
}

// add makes room for one more place, whose numbers are zero and certain.
func (j *joint) add() {
	n := len(j.mean)
	m := n + 2
	cov := make([]float64, m*m)
	for i := range n {
		copy(cov[i*m:i*m+n], j.cov[i*n:(i+1)*n])
	}
	j.mean, j.cov, j.gain = append(j.mean, 0, 0), cov, make([]float64, m)
}

func (j *joint) variance(a int) float64 { return j.cov[a*len(j.mean)+a] }

func (j *joint) setCov(a, b int, value float64) {
	n := len(j.mean)
	j.cov[a*n+b], j.cov[b*n+a] = value, value
}

func (j *joint) addVariance(a int, value float64) { j.cov[a*len(j.mean)+a] += value }

// replace forgets what was known about a number and its relation to all others.
func (j *joint) replace(a int, mean, variance float64) {
	for b := range j.mean {
		j.setCov(a, b, 0)
	}
	j.mean[a] = mean
	j.setCov(a, a, variance)
}

// measured takes in that number a was measured as y with the given variance (> 0). The
// covariance is in Joseph's form, written out for one number: it stays symmetric and
// positive whatever the rounding (see gauss2.measured).
func (j *joint) measured(a int, y, variance float64) {
	n := len(j.mean)
	row := j.cov[a*n : (a+1)*n]
	s := row[a] + variance
	innovation := y - j.mean[a]
	copy(j.gain, row)
	for b := range n {
		j.mean[b] += j.gain[b] / s * innovation
	}
	for b := range n {
		kb := j.gain[b] / s
		for c := b; c < n; c++ {
			kc := j.gain[c] / s
			value := j.cov[b*n+c] - kb*j.gain[c] - j.gain[b]*kc + kb*kc*s
			j.cov[b*n+c], j.cov[c*n+b] = value, value
		}
	}
}

// doubt grants that the rate factor was another by a standard deviation sd while each
// place lost umPer µm for every unit of it. When that began is as unsure, and another for
// each place: half of it is each place's own.
func (j *joint) doubt(sd float64, umPer func(place int) float64) {
	n := len(j.mean)
	v := sd * sd
	j.cov[level*n+level] += v
	for z := commons; z < n; z += 2 {
		a := umPer((z - commons) / 2)
		j.cov[level*n+z] -= v * a
		j.cov[z*n+level] -= v * a
		for y := commons; y < n; y += 2 {
			j.cov[z*n+y] += v * a * umPer((y-commons)/2)
		}
		j.cov[z*n+z] += v * a * a / 4
	}
}

// advance lets a stretch of time pass for a Gaussian in the order of joint, of any
// number of places.
func (s *step) advance(mean, cov []float64) {
	n := len(mean)
	var common float64
	for k := range commons {
		common += s.reach[k] * mean[k]
	}
	for z := commons; z < n; z += 2 {
		mean[z] -= s.umPerS * (common + s.reach[own]*mean[z+1])
		mean[z+1] *= s.decay[own]
	}
	for k := range commons {
		mean[k] *= s.decay[k]
	}
	if s.umPerS != 0 {
		s.mix(cov, n)
	}
	for a := range n {
		da := s.decayOf(a)
		row := cov[a*n : (a+1)*n]
		for k := range commons {
			row[k] *= da * s.decay[k]
		}
		for z := commons; z < n; z += 2 {
			row[z] *= da
			row[z+1] *= da * s.decay[own]
		}
	}
	s.noise(cov, n)
}

func (s *step) decayOf(a int) float64 {
	switch {
	case a < commons:
		return s.decay[a]
	case (a-commons)%2 == 1:
		return s.decay[own]
	}
	return 1
}

// mix takes from the thicknesses what the parts of the rate remove: rows first, then
// columns.
func (s *step) mix(cov []float64, n int) {
	for b := range n {
		var common float64
		for k := range commons {
			common += s.reach[k] * cov[k*n+b]
		}
		for z := commons; z < n; z += 2 {
			cov[z*n+b] -= s.umPerS * (common + s.reach[own]*cov[(z+1)*n+b])
		}
	}
	for a := range n {
		row := cov[a*n : (a+1)*n]
		var common float64
		for k := range commons {
			common += s.reach[k] * row[k]
		}
		for z := commons; z < n; z += 2 {
			row[z] -= s.umPerS * (common + s.reach[own]*row[z+1])
		}
	}
}

// noise adds what comes in during the stretch. What the common wander removes it removes
// everywhere.
func (s *step) noise(cov []float64, n int) {
	u := s.umPerS
	cov[wander*n+wander] += s.wander.qvv
	for z := commons; z < n; z += 2 {
		cov[wander*n+z] -= u * s.wander.qiv
		cov[z*n+wander] -= u * s.wander.qiv
		for y := commons; y < n; y += 2 {
			cov[z*n+y] += u * u * s.wander.qii
		}
		cov[z*n+z] += u*u*s.own.qii + s.driftUM2
		cov[z*n+z+1] -= u * s.own.qiv
		cov[(z+1)*n+z] -= u * s.own.qiv
		cov[(z+1)*n+z+1] += s.own.qvv
	}
}

// place is a joint of one place, as a value.
type place struct {
	mean [commons + 2]float64
	cov  [(commons + 2) * (commons + 2)]float64
}

const placeSize = commons + 2

// of returns the marginal of one place.
func (j *joint) place(i int) place {
	var p place
	n := len(j.mean)
	at := func(a int) int {
		if a < commons {
			return a
		}
		return a + 2*i
	}
	for a := range placeSize {
		p.mean[a] = j.mean[at(a)]
		for b := range placeSize {
			p.cov[a*placeSize+b] = j.cov[at(a)*n+at(b)]
		}
	}
	return p
}

func (p *place) thicknessUM() float64 { return p.mean[commons] }
func (p *place) variance() float64    { return p.cov[commons*placeSize+commons] }

// part is the index of a part of the rate factor in a place.
func part(k int) int {
	if k == own {
		return commons + 1
	}
	return k
}

// pair returns thickness and whole rate factor.
func (p *place) pair() gauss2 {
	x := gauss2{a: p.thicknessUM(), aa: p.variance()}
	for k := range parts {
		x.b += p.mean[part(k)]
		x.ab += p.cov[commons*placeSize+part(k)]
		for l := range parts {
			x.bb += p.cov[part(k)*placeSize+part(l)]
		}
	}
	return x
}

// setThickness makes the thickness known by itself, without relation to the rate.
func (p *place) setThickness(um, um2 float64) {
	for a := range placeSize {
		p.cov[commons*placeSize+a], p.cov[a*placeSize+commons] = 0, 0
	}
	p.mean[commons], p.cov[commons*placeSize+commons] = um, um2
}
