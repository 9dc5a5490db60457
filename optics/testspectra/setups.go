package testspectra

import "bluefringe/optics/die"

// Setups are the ways in which a set-up may differ from a usual one, by name, to try an
// estimator on: layers known exactly or not at all, none, no metal, under water, warm.
func Setups() map[string]func(*die.Setup) {
	oxide := die.Layer{Material: "SiO2", ThicknessNM: 800, ToleranceNM: 80}
	under := func(layers ...die.Layer) func(*die.Setup) {
		return func(s *die.Setup) { s.Under = layers }
	}
	return map[string]func(*die.Setup){
		"as usual":     func(*die.Setup) {},
		"exact layers": under(die.Layer{Material: "Si3N4", ThicknessNM: 20}, die.Layer{Material: "SiO2", ThicknessNM: 800}),
		"liner":        under(die.Layer{Material: "Si3N4", ThicknessNM: 50, ToleranceNM: 10}, oxide),
		"three layers": under(die.Layer{Material: "SiO2", ThicknessNM: 20, ToleranceNM: 5},
			die.Layer{Material: "Si3N4", ThicknessNM: 100, ToleranceNM: 20}, oxide),
		"no layer":  under(),
		"no metal":  func(s *die.Setup) { s.Reflector, s.CoverageMin, s.CoverageMax = "", 0, 0 },
		"all metal": func(s *die.Setup) { s.CoverageMin, s.CoverageMax = 1, 1 },
		"copper":    func(s *die.Setup) { s.Reflector = "Cu" },
		"water":     func(s *die.Setup) { s.Ambient = "water" },
		"warm":      func(s *die.Setup) { s.TemperatureC = 45 },
		"aperture":  func(s *die.Setup) { s.NA = 0.1 },
	}
}
