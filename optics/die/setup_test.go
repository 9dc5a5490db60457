package die

import (
	"math"
	"strings"
	"testing"

	"bluefringe/optics/material"
)

// Doping reaches the silicon: 50 per cm for 1e19 holes at 1300 nm (M. Nedeljkovic,
// R. Soref, G. Z. Mashanovich, IEEE Photonics J. 3 (2011) 1171), where silicon by
// itself is transparent.
func TestDopedSilicon(t *testing.T) {
	nm := []float64{1300}
	doped := Setup{Ambient: "air", TemperatureC: 25, Carriers: material.Carriers{Type: material.PType, PerCM3: 1e19}}
	all, err := doped.indices(nm)
	if err != nil {
		t.Fatal(err)
	}
	if alpha := 4 * math.Pi * imag(all.silicon[0]) / 1300e-7; math.Abs(alpha-50.07) > 0.1 {
		t.Errorf("absorption %g per cm, want 50.07", alpha)
	}
	plain, err := Setup{Ambient: "air", TemperatureC: 25}.indices(nm)
	if err != nil {
		t.Fatal(err)
	}
	if dn := real(all.silicon[0] - plain.silicon[0]); math.Abs(dn+9.16e-3) > 1e-5 {
		t.Errorf("index shift %g, want -9.16e-3", dn)
	}
	doped.Carriers.Type = "x"
	if _, err := doped.indices(nm); err == nil || !strings.Contains(err.Error(), `"x"`) {
		t.Errorf("got %v", err)
	}
}

// Layers and reflector may be materials of the operator's own.
func TestOwnMaterial(t *testing.T) {
	own, err := material.ParseTable("own.csv", []byte("wavelength_nm,n,k\n400,1.3,0\n500,1.3,0\n600,1.3,0\n900,1.3,0\n"))
	if err != nil {
		t.Fatal(err)
	}
	s := Setup{Ambient: "air", TemperatureC: 25, Under: []Layer{{Material: "own", ThicknessNM: 300}}, Reflector: "own", Library: &material.Library{}}
	if _, err := s.indices([]float64{600}); err == nil {
		t.Error("an empty library knows the material")
	}
	if err := s.Library.Add("own", own); err != nil {
		t.Fatal(err)
	}
	all, err := s.indices([]float64{600})
	if err != nil || all.under[0][0] != 1.3 || all.metal[0] != 1.3 || all.end[0] != 1.3 {
		t.Errorf("got %v, %v", all, err)
	}
}
