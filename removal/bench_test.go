package removal

import (
	"math"
	"testing"
)

func BenchmarkDieUpdate(b *testing.B) {
	b.ReportAllocs()
	die, at := followed(9, 20, 700, 0.5)
	for i := 0; b.Loop(); i++ {
		at += 0.5
		die.Update(i%9, at, math.Max(0, 700-0.5/60*at), 0.003)
	}
}

// All that one spectrum costs with nine places: the update and, for each place, where it
// is and when it comes to target and floor.
func BenchmarkSpectrumOfNinePlaces(b *testing.B) {
	b.ReportAllocs()
	die, at := followed(9, 20, 700, 0.5)
	for i := 0; b.Loop(); i++ {
		at += 0.5
		z := math.Max(0, 700-0.5/60*at)
		die.Update(i%9, at, z, 0.003)
		for k := range 9 {
			f := NewForecast(die.At(k, at), 0.001)
			f.TimeTo(z - 1)
			f.TimeTo(z - 1.3)
		}
	}
}

func BenchmarkForecast(b *testing.B) {
	b.ReportAllocs()
	die, at := followed(1, 40, 5, 0.5)
	s := die.At(0, at)
	for b.Loop() {
		f := NewForecast(s, 0.002)
		f.TimeTo(2)
	}
}
