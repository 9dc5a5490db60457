package lesson

import (
	"errors"
	"testing"
)

func limits() Limits {
	return Limits{LiftS: 1, TouchS: 1.5, WipeS: 2, ReferenceS: 3, ForceMinN: 0.5, ForceMaxN: 2, AfterS: 4}
}

func TestHand(t *testing.T) {
	h := NewHand(limits(), 6, 1.4)
	do := func(a Action) []Change {
		t.Helper()
		list, err := h.Do(a)
		if err != nil {
			t.Fatal(err)
		}
		return list
	}
	if c := do(Action{TimeS: 10, Kind: Lift}); len(c) != 1 || c[0].TimeS != 11 || *c[0].Contact {
		t.Errorf("a lift gives %+v", c)
	}
	// What is asked for during a movement begins when that is done.
	if c := do(Action{TimeS: 10, Kind: Wipe}); c[0].TimeS != 13 || !c[0].Wipe {
		t.Errorf("wiping gives %+v", c)
	}
	if c := do(Action{TimeS: 20, Kind: Reference}); c[0].TimeS != 23 || !c[0].Refer {
		t.Errorf("a reference gives %+v", c)
	}
	if c := do(Action{TimeS: 30, Kind: Polish}); c[0].TimeS != 31.5 || !*c[0].Contact {
		t.Errorf("polishing on gives %+v", c)
	}
	if c := do(Action{TimeS: 32, Kind: Force, ForceN: 0.8}); c[0].TimeS != 32 || *c[0].ForceN != 0.8 || h.ForceN() != 0.8 {
		t.Errorf("a force gives %+v", c)
	}
	if c := do(Action{TimeS: 40, Kind: Stop}); len(c) != 2 || c[0].TimeS != 41 || *c[0].Contact || c[1].TimeS != 45 || !c[1].End {
		t.Errorf("a stop gives %+v", c)
	}
	if !h.Ended() || h.Down() {
		t.Error("the run goes on after a stop")
	}
}

func TestStopWithThePadUp(t *testing.T) {
	h := NewHand(limits(), 6, 1.4)
	h.Do(Action{TimeS: 10, Kind: Lift})
	if c, err := h.Do(Action{TimeS: 20, Kind: Stop}); err != nil || len(c) != 1 || c[0].TimeS != 24 || !c[0].End {
		t.Errorf("%+v, %v", c, err)
	}
}

func TestHandRefuses(t *testing.T) {
	for _, c := range []struct {
		before []Action
		a      Action
		want   string
	}{
		{nil, Action{TimeS: 9, Kind: Polish}, "polish at 9 s: the pad is on the die already"},
		{nil, Action{TimeS: 9, Kind: Wipe}, "look at 9 s: the pad is on the die: lift first"},
		{nil, Action{TimeS: 9, Kind: Reference}, "reference at 9 s: the pad is on the die: lift first"},
		{[]Action{{9, Lift, 0}}, Action{TimeS: 12, Kind: Lift}, "lift at 12 s: the pad is off the die already"},
		{nil, Action{TimeS: 9, Kind: Force, ForceN: 3}, "force at 9 s: found 3 N: 0.5 to 2 N is allowed"},
		{[]Action{{9, Stop, 0}}, Action{TimeS: 12, Kind: Lift}, "lift at 12 s: the run has been stopped"},
	} {
		h := NewHand(limits(), 6, 1.4)
		for _, a := range c.before {
			if _, err := h.Do(a); err != nil {
				t.Fatal(err)
			}
		}
		_, err := h.Do(c.a)
		var refused *RefusedError
		if !errors.As(err, &refused) || err.Error() != c.want {
			t.Errorf("got %v, want %s", err, c.want)
		}
	}
}
