package material

import "math"

// formula is a published n(λ), λ in micrometres, of a transparent material.
type formula struct {
	source       string
	minNM, maxNM float64
	n            func(um float64) float64
}

func (f formula) Predict(nm float64) float64 { return f.n(nm / 1000) }

// fromFormula makes a material with k = 0.
func fromFormula(f formula) func() (*Material, error) {
	return func() (*Material, error) {
		return &Material{source: f.source, minNM: f.minNM, maxNM: f.maxNM, n: f}, nil
	}
}

// sellmeier is n of n² - 1 = Σ b·λ²/(λ²-c²), terms being pairs of b and c.
func sellmeier(terms ...[2]float64) func(um float64) float64 {
	return func(um float64) float64 {
		square := 1.0
		for _, t := range terms {
			square += t[0] * um * um / (um*um - t[1]*t[1])
		}
		return math.Sqrt(square)
	}
}

func fusedSilica() formula {
	return formula{
		source: `Fused silica, 20 C, 210-3710 nm, k set to 0. Thermal oxide on silicon is slightly denser: n is typically 0.002-0.006 higher.
I. H. Malitson, "Interspecimen comparison of the refractive index of fused silica", J. Opt. Soc. Am. 55 (1965) 1205-1209. DOI 10.1364/JOSA.55.001205`,
		minNM: 210, maxNM: 3710,
		n: sellmeier([2]float64{0.6961663, 0.0684043}, [2]float64{0.4079426, 0.1162414}, [2]float64{0.8974794, 9.896161}),
	}
}

// nitride is Luke's formula because it holds from the visible through the near
// infrared; Philipp's (J. Electrochem. Soc. 120 (1973) 295) ends at 1240 nm and
// is 1.4 % lower: films differ by as much with how they are deposited.
func nitride() formula {
	return formula{
		source: `Silicon nitride, low-pressure chemical vapour deposition, stoichiometric, room temperature, 310-5504 nm, k set to 0. Other depositions differ by 1-2 %.
K. Luke, Y. Okawachi, M. R. E. Lamont, A. L. Gaeta, M. Lipson, "Broadband mid-infrared frequency comb generation in a Si3N4 microresonator", Opt. Lett. 40 (2015) 4823-4826. DOI 10.1364/OL.40.004823`,
		minNM: 310, maxNM: 5504,
		n: sellmeier([2]float64{3.0249, 0.1353406}, [2]float64{40314, 1239.842}),
	}
}

func standardAir() formula {
	return formula{
		source: `Standard air: dry, 15 C, 101.325 kPa, 450 ppm CO2, 230-1690 nm, used to 1800 nm, k set to 0.
P. E. Ciddor, "Refractive index of air: new equations for the visible and near infrared", Appl. Opt. 35 (1996) 1566-1573. DOI 10.1364/AO.35.001566`,
		minNM: 230, maxNM: 1800,
		n: func(um float64) float64 {
			s2 := 1 / (um * um)
			return 1 + 0.05792105/(238.0185-s2) + 0.00167917/(57.362-s2)
		},
	}
}

func epoxyResist() formula {
	return formula{
		source: `Epoxy negative photoresist after cure, room temperature, 320-1700 nm, k set to 0 (transparent above about 400 nm only).
Data sheet of an SU-8 type permanent epoxy resist (2011), Cauchy formula.`,
		minNM: 320, maxNM: 1700,
		n: func(um float64) float64 { return 1.5525 + 0.00629/(um*um) + 0.0004/(um*um*um*um) },
	}
}
