package plan

import "math"

// Damage is how deep below its face a step leaves silicon cracked or dislocated.
type Damage struct {
	DepthUM float64 // as the source has it
	MostUM  float64 // where the source's own doubt ends: allowances are made with this
	Source  string
}

// FromAbrasive is the damage under a ground or lapped face: cracks about half as deep
// as the mean size of the abrasive, within a factor of two. Z. J. Pei, S. R. Billingsley
// and S. Miura, "Grinding induced subsurface cracks in silicon wafers", Int. J. Mach.
// Tools Manuf. 39 (1999) 1103; from memory.
func FromAbrasive(sizeUM float64) Damage {
	return Damage{DepthUM: sizeUM / 2, MostUM: sizeUM,
		Source: "half the abrasive size within a factor of 2: Pei, Billingsley, Miura 1999, from memory"}
}

// FromRoughness is the damage under a face of mean roughness Ra: 21.179·Ra^(4/3), both
// in µm, within 5 % of its data. J. Wang, Y. Gao and Y. Yang, Materials 17 (2024) 553,
// doi 10.3390/ma17030553, for diamond-sawn (111) silicon.
func FromRoughness(raUM float64) Damage {
	depth := 21.179 * math.Pow(raUM, 4.0/3)
	return Damage{DepthUM: depth, MostUM: 1.05 * depth,
		Source: "21.179 Ra^(4/3) within 5 %: Wang, Gao, Yang 2024, diamond-sawn (111) silicon"}
}

// Stated is a damage that somebody measured and vouches for.
func Stated(depthUM float64) Damage {
	return Damage{DepthUM: depthUM, MostUM: depthUM, Source: "set-up"}
}
