package trial

import "math"

// Class is a kind of case.
type Class struct {
	Name string
	Has  func(*Case) bool
}

// Classes are the kinds by which the study of runs is broken down. They overlap.
func Classes() []Class {
	return []Class{
		{"sees while polishing, one site", func(c *Case) bool { return !c.Intermittent() && len(c.Shape.Sites) == 1 }},
		{"sees while polishing, several sites", func(c *Case) bool { return !c.Intermittent() && len(c.Shape.Sites) > 1 }},
		{"lifts to look, one site", func(c *Case) bool { return c.Intermittent() && len(c.Shape.Sites) == 1 }},
		{"lifts to look, several sites", func(c *Case) bool { return c.Intermittent() && len(c.Shape.Sites) > 1 }},
		{"nine sites", func(c *Case) bool { return len(c.Shape.Sites) == 9 }},
		{"die goes on beyond the sites", func(c *Case) bool { return c.Shape.beyond() }},
		{"less than 0.8 readings a second", func(c *Case) bool { return c.Sight.EveryS > 1/0.8 }},
		{"slurry spells", func(c *Case) bool { return len(c.Sight.Slurry) > 0 }},
		{"dropouts", func(c *Case) bool { return len(c.Sight.Dropouts) > 0 }},
		{"bursts of ambiguous readings", func(c *Case) bool { return len(c.Sight.Doubt) > 0 }},
		{"nothing hides the die", func(c *Case) bool {
			return !c.Intermittent() && len(c.Sight.Slurry)+len(c.Sight.Dropouts)+len(c.Sight.Doubt) == 0
		}},
		{"rate below 0.7 of the expected", func(c *Case) bool { return c.Rate.Factor < 0.7 }},
		{"rate above 1.4 of the expected", func(c *Case) bool { return c.Rate.Factor > 1.4 }},
		{"glazing in less than 4 min", func(c *Case) bool { return c.Rate.GlazingS < 240 }},
		{"glazing in more than 12 min", func(c *Case) bool { return c.Rate.GlazingS > 720 }},
		{"rate wanders by more than 12 %", func(c *Case) bool { return c.Rate.WanderSD > 0.12 }},
		{"force changes", func(c *Case) bool { return len(c.Changes) > 0 }},
		{"target below 0.6 µm", func(c *Case) bool { return c.TargetUM < 0.6 }},
		{"target 0.6 to 1.2 µm", func(c *Case) bool { return c.TargetUM >= 0.6 && c.TargetUM < 1.2 }},
		{"target above 1.2 µm", func(c *Case) bool { return c.TargetUM >= 1.2 }},
		{"reaction time above 2.3 s", func(c *Case) bool { return c.ReactionS > 2.3 }},
	}
}

// Of returns the results of a class.
func (k Class) Of(results []Result) []Result {
	var out []Result
	for _, r := range results {
		if k.Has(r.Case) {
			out = append(out, r)
		}
	}
	return out
}

// beyond tells whether the die goes on beyond its outermost sites.
func (s *Shape) beyond() bool {
	reachMM := 0.0
	for _, at := range s.Sites {
		reachMM = math.Max(reachMM, at.XMM)
	}
	return s.HalfMM > reachMM
}
