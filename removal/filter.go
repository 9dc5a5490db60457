package removal

// gauss2 is a Gaussian over two numbers: their means and covariance. In the
// tracker a is the thickness in µm and b the rate factor.
type gauss2 struct {
	a, b       float64
	aa, ab, bb float64
}

// motion is a linear step of a gauss2:
//
//	a ← a + ab·b + offsetA + noise
//	b ←     bb·b + offsetB + noise
//
// with the noise covariance qaa, qab, qbb.
type motion struct {
	ab, bb           float64
	offsetA, offsetB float64
	qaa, qab, qbb    float64
}

// moved returns the Gaussian after the step m.
func (x gauss2) moved(m motion) gauss2 {
	return gauss2{
		a:  x.a + m.ab*x.b + m.offsetA,
		b:  m.bb*x.b + m.offsetB,
		aa: x.aa + 2*m.ab*x.ab + m.ab*m.ab*x.bb + m.qaa,
		ab: m.bb*(x.ab+m.ab*x.bb) + m.qab,
		bb: m.bb*m.bb*x.bb + m.qbb,
	}
}

// measured returns the Gaussian after a was measured as y with the given
// variance (> 0). The covariance is in Joseph's form, which stays symmetric and
// positive whatever the rounding (R. S. Bucy and P. D. Joseph, Filtering for
// Stochastic Processes with Applications to Guidance, 1968; from memory).
func (x gauss2) measured(y, variance float64) gauss2 {
	s := x.aa + variance
	ka, kb := x.aa/s, x.ab/s
	innovation := y - x.a
	return gauss2{
		a:  x.a + ka*innovation,
		b:  x.b + kb*innovation,
		aa: (1-ka)*(1-ka)*x.aa + ka*ka*variance,
		ab: (1-ka)*(x.ab-kb*x.aa) + ka*kb*variance,
		bb: x.bb - 2*kb*x.ab + kb*kb*x.aa + kb*kb*variance,
	}
}
