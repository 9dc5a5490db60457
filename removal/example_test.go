package removal_test

import (
	"fmt"

	"bluefringe/removal"
)

// A die at 3 µm, polished at 0.6 µm/min and read twice a second for a minute. At this rate
// it would take 40 s more; pads glaze.
func Example() {
	pad := removal.Process{PrestonPerPa: 2.0e-13, ForceN: 1.4137, PadMM: 3, SpeedMS: 0.25}
	die := removal.NewDie(removal.DieConfig{})
	die.Process(0, true, pad.RateUMMin())
	centre := die.Site("c")
	for s := 0.0; s <= 60; s += 0.5 {
		die.Update(centre, s, 3-0.01*s, 0.003)
	}
	now := die.At(centre, 60)
	ahead := removal.NewForecast(now, 0)
	left := ahead.TimeTo(2)
	fmt.Printf("%.3f um at %.2f um/min\n", now.ThicknessUM, now.RateUMMin)
	fmt.Printf("2 um in %.0f s, 90 %% between %.0f and %.0f s\n", left.P50S, left.P05S, left.P95S)
	// Output:
	// 2.400 um at 0.60 um/min
	// 2 um in 41 s, 90 % between 38 and 44 s
}
