package advice

import (
	"fmt"
	"math"

	"bluefringe/removal"
)

// Fixed settings of the built-in rules (common practice, no source).
const (
	defaultReactionS = 2.0
	defaultRiskFloor = 1e-3
	defaultPrepareS  = 15.0

	sightLeastS   = 3.0  // blind never sooner
	sightMostS    = 30.0 // blind never later
	sightFraction = 0.25 // of the time to target
	sightVisits   = 3    // of the usual time between spectra of a site
	witnessForS   = 3.0
	dropS         = 3.0 // a weaker advice must hold this long
)

// Rule is a user's stop rule.
type Rule struct {
	Name   string
	When   string  // condition, see the package documentation
	ForS   float64 // how long the condition must hold, in data time
	Advice Level
}

// Config tunes an Advisor.
type Config struct {
	TargetUM  float64 // 0 or NaN: not set
	FloorUM   float64 // 0 or NaN: not set
	ReactionS float64 // from the advice to the pad off the die; 0: 2 s
	RiskFloor float64 // accepted probability of crossing the floor; 0: 1e-3
	PrepareS  float64 // how long before stop to say prepare; 0: 15 s
	Rules     []Rule

	// What a stretch of polishing without sight may risk: ending more than WindowUM below
	// the target, with the probability RiskStretch. 0: 20 nm or 2 % of the target; 0.05.
	WindowUM, RiskStretch float64
}

// SiteValues are the values of one site that conditions may use. NaN: unknown.
type SiteValues struct {
	Site           string
	ThicknessUM    float64 // thickness_um
	ThicknessLowUM float64 // thickness_low_um, the 5 % point
	SDUM           float64 // sd_um
	RateUMMin      float64 // rate_um_min
	ToTargetS      float64 // to_target_s, median
	EdgeNM         float64 // edge_nm, contrast edge as measured
	SinceGoodS     float64 // since_good_s, since the last trusted spectrum of the site

	// Visibility gives visibility_<nm>: the measured fringe visibility at a
	// wavelength in nm, NaN where it cannot be told. Nil: unknown everywhere.
	Visibility func(wavelengthNM float64) float64
}

func (s *SiteValues) visibility(wavelengthNM float64) float64 {
	if s.Visibility == nil {
		return math.NaN()
	}
	return s.Visibility(wavelengthNM)
}

// Values is all that advice is taken from at one moment.
type Values struct {
	Here     SiteValues // the site of this step's spectrum; without one, of the last
	Thinnest SiteValues // the thinnest site; its numbers NaN before the first track
	Contact  bool       // the pad touches the die

	// Ahead holds one forecast from this moment for each site with a track, and for places
	// between them that may be thinner; empty: no site was seen yet. It is not kept.
	Ahead []SiteForecast

	DecisionIntervalS float64 // usual time between calls of Decide; NaN or 0: not known
	VisitIntervalS    float64 // usual time between spectra of one site; NaN or 0: not known
	Disagreeing       string  // two witnesses that disagree about Here: "phase and absorption"; empty: none do
}

// SiteForecast is the forecast of one site, or of a place between sites.
type SiteForecast struct {
	Site      string
	Forecast  removal.Forecast
	RateRelSD float64 // relative standard uncertainty of its rate
}

// Decision is what to tell the operator.
type Decision struct {
	Level  Level
	Rule   string // the rule that gave it; empty when none did
	Reason string // one sentence with the numbers

	// StretchS is how long the pad may polish at most before it must be lifted to look; NaN
	// while it is on the die, after a stop, and where nothing is known.
	StretchS float64
}

// RuleError says what is wrong with a rule and where.
type RuleError struct {
	Rule         string
	Line, Column int // in the condition, from 1; 0 when the fault is elsewhere
	Message      string
}

func (e *RuleError) Error() string {
	if e.Line == 0 {
		return fmt.Sprintf("rule %q: %s", e.Rule, e.Message)
	}
	return fmt.Sprintf("rule %q: condition, line %d, column %d: %s", e.Rule, e.Line, e.Column, e.Message)
}

// Advisor turns values into advice. It belongs to one run and one goroutine.
type Advisor struct {
	config      Config
	rules       []userRule
	witness     hold
	disagreeing map[string]string // who disagrees, by site

	touched       bool
	contactFromS  float64
	stretchS      float64 // how long that contact might last unseen, when it began
	shown         Decision
	weakerFromS   float64 // since when the rules ask for less than is shown
	weaker        bool
	stopped       bool // stop is latched
	decidedBefore bool
}

type userRule struct {
	Rule
	when *condition
	held hold
}

// New checks the configuration and compiles the rules. A fault of a rule is a
// *RuleError.
func New(config Config) (*Advisor, error) {
	if err := fill(&config); err != nil {
		return nil, err
	}
	a := &Advisor{config: config, witness: hold{}, disagreeing: map[string]string{}}
	taken := map[string]bool{"target": true, "floor": true, "sight": true, "witness": true}
	for _, rule := range config.Rules {
		refuse := func(format string, args ...any) (*Advisor, error) {
			return nil, &RuleError{Rule: rule.Name, Message: fmt.Sprintf(format, args...)}
		}
		switch {
		case rule.Name == "":
			return refuse("has no name")
		case taken[rule.Name]:
			return refuse("the name is taken by another rule or a built-in one")
		case !(rule.ForS >= 0) || math.IsInf(rule.ForS, 0):
			return refuse("hold time %g s: must be a number from 0", rule.ForS)
		case rule.Advice < Prepare || rule.Advice > Stop:
			return refuse("advice %q: allowed are %q, %q, %q", rule.Advice, Prepare, Blind, Stop)
		}
		taken[rule.Name] = true
		when, fault := compile(rule.When)
		if fault != nil {
			fault.Rule = rule.Name
			return nil, fault
		}
		a.rules = append(a.rules, userRule{Rule: rule, when: when, held: hold{}})
	}
	return a, nil
}

// fill puts defaults in and refuses what makes no sense. Levels that are not set
// become NaN, which no comparison meets.
func fill(c *Config) error {
	for _, field := range [...]struct {
		name   string
		value  *float64
		unset  float64
		atMost float64
	}{
		{"target thickness_um", &c.TargetUM, math.NaN(), math.MaxFloat64},
		{"target floor_um", &c.FloorUM, math.NaN(), math.MaxFloat64},
		{"reaction_s", &c.ReactionS, defaultReactionS, 600},
		{"risk_floor", &c.RiskFloor, defaultRiskFloor, 0.5},
		{"prepare_s", &c.PrepareS, defaultPrepareS, 86400},
		{"window_um", &c.WindowUM, math.NaN(), math.MaxFloat64},
		{"risk_stretch", &c.RiskStretch, defaultRiskStretch, 0.5},
	} {
		if *field.value == 0 || math.IsNaN(*field.value) {
			*field.value = field.unset
			continue
		}
		if *field.value < 0 || *field.value > field.atMost {
			return fmt.Errorf("%s = %g: allowed is more than 0 and at most %g", field.name, *field.value, field.atMost)
		}
	}
	if c.FloorUM >= c.TargetUM {
		return fmt.Errorf("floor %g µm is not below the target %g µm", c.FloorUM, c.TargetUM)
	}
	return nil
}

// Decide takes the values at timeS, which must not fall from call to call.
func (a *Advisor) Decide(timeS float64, v *Values) Decision {
	lifted := a.touched && !v.Contact
	if v.Contact && !a.touched {
		a.contactFromS, a.stretchS = timeS, a.stretch(v)
	}
	a.touched = v.Contact

	d := a.decide(timeS, v, lifted)
	d.StretchS = math.NaN()
	if !v.Contact && d.Level != Stop {
		d.StretchS = a.stretch(v)
	}
	return d
}

// decide takes the strongest advice, latches stop and lets a weaker one wait.
func (a *Advisor) decide(timeS float64, v *Values, lifted bool) Decision {
	asked := a.strongest(timeS, v)
	switch {
	case !a.decidedBefore || lifted:
		a.decidedBefore, a.stopped = true, false
		a.show(asked)
	case asked.Level >= a.shown.Level:
		a.show(asked)
	case a.stopped:
		d := a.shown
		d.Reason = "stop stands until the pad is lifted or it is acknowledged: " + d.Reason
		return d
	case !a.weaker:
		a.weaker, a.weakerFromS = true, timeS
	case timeS-a.weakerFromS >= dropS:
		a.show(asked)
	}
	if asked.Level == Stop && v.Contact {
		a.stopped = true
	}
	return a.shown
}

func (a *Advisor) show(d Decision) {
	a.shown, a.weaker = d, false
}

// Acknowledge releases a stop that was given. If its cause persists, the next
// Decide gives it again.
func (a *Advisor) Acknowledge() {
	if a.stopped {
		a.stopped, a.decidedBefore = false, false
	}
}

// strongest asks all rules; of equals the first wins.
func (a *Advisor) strongest(timeS float64, v *Values) Decision {
	best := a.quiet(v)
	take := func(d Decision) {
		if d.Level > best.Level {
			best = d
		}
	}
	take(a.floor(v))
	take(a.target(v))
	for i := range a.rules {
		take(a.rules[i].decide(timeS, v))
	}
	take(a.sight(timeS, v))
	take(a.disagreement(timeS, v))
	return best
}

// quiet is what to say when no rule speaks.
func (a *Advisor) quiet(v *Values) Decision {
	if len(v.Ahead) == 0 {
		return Decision{Reason: "waiting for the first good spectrum"}
	}
	t := &v.Thinnest
	reason := fmt.Sprintf("%s at %.3f µm", called(v, t.Site), t.ThicknessUM)
	switch {
	case math.IsNaN(a.config.TargetUM):
		reason += "; no target is set, so nothing will say stop for it"
	case math.IsNaN(t.ToTargetS):
		reason += fmt.Sprintf(", %.3f µm above target", t.ThicknessUM-a.config.TargetUM)
	default:
		reason += fmt.Sprintf(", %.3f µm above target, about %.0f s of polishing left", t.ThicknessUM-a.config.TargetUM, t.ToTargetS)
	}
	return Decision{Reason: reason}
}

// called names a site, as the thinnest when there are several.
func called(v *Values, site string) string {
	if len(v.Ahead) > 1 {
		return "thinnest site " + site
	}
	return "site " + site
}

// leadS is how far ahead a decision must look: the next one may come a whole
// interval later, half of one on average. With the pad up nobody has to react: half of
// the shortest stretch is where polishing on begins to lead away from the target.
func (a *Advisor) leadS(v *Values) float64 {
	if !v.Contact {
		return shortestStretchS / 2
	}
	if v.DecisionIntervalS > 0 && !math.IsInf(v.DecisionIntervalS, 0) {
		return a.config.ReactionS + v.DecisionIntervalS/2
	}
	return a.config.ReactionS
}

func (a *Advisor) target(v *Values) Decision {
	target, lead := a.config.TargetUM, a.leadS(v)
	if math.IsNaN(target) {
		return Decision{}
	}
	if lowest, at := lowestMean(v, lead); at != nil && lowest <= target {
		reason := fmt.Sprintf("%s is expected at %.3f µm after the %.1f s it takes to lift: target %.3f µm", called(v, at.Site), lowest, lead, target)
		if !v.Contact {
			reason = fmt.Sprintf("%s is at %.3f µm, target %.3f µm: polishing on for %.0f s would not bring it nearer",
				called(v, at.Site), at.Forecast.MeanAfter(0), target, shortestStretchS)
		}
		return Decision{Level: Stop, Rule: "target", Reason: reason}
	}
	if lowest, at := lowestMean(v, lead+a.config.PrepareS); at != nil && lowest <= target {
		reason := fmt.Sprintf("%s reaches %.3f µm in %.1f s", called(v, at.Site), target, at.Forecast.TimeTo(target).P50S)
		if v.Contact {
			reason += fmt.Sprintf(", and lifting takes %.1f s", lead)
		}
		return Decision{Level: Prepare, Rule: "target", Reason: reason}
	}
	return Decision{}
}

// lowestMean is the smallest expected thickness of all sites after a time, and
// its site; nil when there is none.
func lowestMean(v *Values, afterS float64) (float64, *SiteForecast) {
	lowest, at := math.Inf(1), (*SiteForecast)(nil)
	for i := range v.Ahead {
		if mean := v.Ahead[i].Forecast.MeanAfter(afterS); mean < lowest {
			lowest, at = mean, &v.Ahead[i]
		}
	}
	return lowest, at
}

func (a *Advisor) floor(v *Values) Decision {
	floor, lead := a.config.FloorUM, a.leadS(v)
	if math.IsNaN(floor) {
		return Decision{}
	}
	risk, at := a.risk(v, lead)
	if risk > a.config.RiskFloor {
		when := fmt.Sprintf("after the %.1f s it takes to lift", lead)
		if !v.Contact {
			when = fmt.Sprintf("after another %.1f s of polishing", lead)
		}
		return Decision{Level: Stop, Rule: "floor", Reason: fmt.Sprintf("site %s is below the floor of %.3f µm %s with a probability of %.2g: allowed is %.2g",
			at, floor, when, risk, a.config.RiskFloor)}
	}
	if risk, at = a.risk(v, lead+a.config.PrepareS); risk > a.config.RiskFloor {
		return Decision{Level: Prepare, Rule: "floor", Reason: fmt.Sprintf("the risk that site %s crosses the floor of %.3f µm passes %.2g within %.0f s",
			at, floor, a.config.RiskFloor, a.config.PrepareS)}
	}
	return Decision{}
}

// risk is the largest probability of any site to be below the floor.
func (a *Advisor) risk(v *Values, afterS float64) (float64, string) {
	risk, at := 0.0, ""
	for i := range v.Ahead {
		s := &v.Ahead[i]
		if p := s.Forecast.ProbabilityBelow(a.config.FloorUM, afterS); p > risk {
			risk, at = p, s.Site
		}
	}
	return risk, at
}

func (a *Advisor) sight(timeS float64, v *Values) Decision {
	if !v.Contact {
		return Decision{}
	}
	least := sightLeastS
	if v.VisitIntervalS > 0 && !math.IsInf(v.VisitIntervalS, 0) {
		least = math.Max(least, sightVisits*v.VisitIntervalS)
	}
	polished := timeS - a.contactFromS
	if len(v.Ahead) == 0 {
		if polished > least {
			return Decision{Level: Blind, Rule: "sight", Reason: fmt.Sprintf("polishing for %.1f s and no good spectrum yet: lift, clean, look", polished)}
		}
		return Decision{}
	}
	// Nothing was removed before the pad came down.
	blind := polished
	if v.Thinnest.SinceGoodS < blind {
		blind = v.Thinnest.SinceGoodS
	}
	if blind <= least {
		return Decision{}
	}
	limit := sightMostS
	if left := a.earliest(v); !math.IsInf(left, 0) {
		// What is left now and what has passed since make up what was left then.
		limit = math.Min(limit, sightFraction*(left+blind))
	}
	limit = math.Max(limit, least)
	if v.Thinnest.SinceGoodS >= polished && a.stretchS > limit {
		limit = a.stretchS // polished without sight from the start, as long as that was said to be safe
	}
	if blind <= limit {
		return Decision{}
	}
	return Decision{Level: Blind, Rule: "sight", Reason: fmt.Sprintf("%s not seen for %.1f s of polishing, rate and margin allow %.1f s: lift, clean, look",
		called(v, v.Thinnest.Site), blind, limit)}
}

// earliest is the soonest 5 % point of the time to target, or to the floor when
// there is no target; +Inf when there is none.
func (a *Advisor) earliest(v *Values) float64 {
	level := a.config.TargetUM
	if math.IsNaN(level) {
		level = a.config.FloorUM
	}
	soonest := math.Inf(1)
	for i := range v.Ahead {
		if t := v.Ahead[i].Forecast.TimeTo(level).P05S; t < soonest {
			soonest = t
		}
	}
	return soonest
}

func (a *Advisor) disagreement(timeS float64, v *Values) Decision {
	if v.Disagreeing != "" {
		a.disagreeing[v.Here.Site] = v.Disagreeing
	}
	a.witness.set(v.Here.Site, timeS, v.Disagreeing != "")
	if site, sinceS, ok := a.witness.longest(); ok && timeS-sinceS >= witnessForS {
		return Decision{Level: Blind, Rule: "witness", Reason: fmt.Sprintf("%s have disagreed at site %s for %.1f s: lift, clean, look", a.disagreeing[site], site, timeS-sinceS)}
	}
	return Decision{}
}

func (r *userRule) decide(timeS float64, v *Values) Decision {
	key := ""
	if r.when.perSite {
		key = v.Here.Site
	}
	r.held.set(key, timeS, r.when.holds(v))
	site, sinceS, ok := r.held.longest()
	if !ok || timeS-sinceS < r.ForS {
		return Decision{}
	}
	where := ""
	if r.when.perSite {
		where = " at site " + site
	}
	return Decision{Level: r.Advice, Rule: r.Name, Reason: fmt.Sprintf("%s has held for %.1f s%s", r.When, timeS-sinceS, where)}
}

// hold remembers since when something has been true at each site.
type hold map[string]float64

func (h hold) set(site string, timeS float64, is bool) {
	if !is {
		delete(h, site)
	} else if since, was := h[site]; !was || since > timeS {
		h[site] = timeS
	}
}

// longest returns the site where it has been true for longest; of equals the
// first by name.
func (h hold) longest() (site string, sinceS float64, ok bool) {
	for s, since := range h {
		if !ok || since < sinceS || (since == sinceS && s < site) {
			site, sinceS, ok = s, since, true
		}
	}
	return site, sinceS, ok
}
