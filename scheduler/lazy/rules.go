package lazy

// rule is a bound that follows from others: the target direction is at least
// a + b + c, with b left out when it is negative.
type rule struct {
	target, a, b int32
	c            int32
}

// apply tightens the target of rule k.
func (s *Solver) apply(k int32) bool {
	r := &s.rules[k]
	v, b := s.lb[r.a]+r.c, int32(0)
	if r.b >= 0 {
		b = s.lb[r.b]
		v += b
	}
	if v <= s.lb[r.target] {
		return true
	}
	return s.set(r.target, v, reason{byRule, k, b})
}

// explain says what makes the target at least v.
func (r *rule) explain(out []lit, v, b int32) []lit {
	if r.b >= 0 {
		return append(out, lit{r.b, b}, lit{r.a, v - b - r.c})
	}
	return append(out, lit{r.a, v - r.c})
}

// addRule adds one direction of a rule.
func (s *Solver) addRule(r rule) {
	k := int32(len(s.rules))
	s.rules = append(s.rules, r)
	s.ruleOf[r.a] = append(s.ruleOf[r.a], k)
	if r.b >= 0 {
		s.ruleOf[r.b] = append(s.ruleOf[r.b], k)
	}
}

// precede is x + d + c ≤ y, with a variable d or, when d is negative, none.
func (s *Solver) precede(x, d, y, c int32) {
	if d < 0 {
		s.addRule(rule{target: 2 * y, a: 2 * x, b: -1, c: c})
		s.addRule(rule{target: 2*x + 1, a: 2*y + 1, b: -1, c: c})
		return
	}
	s.addRule(rule{target: 2 * y, a: 2 * x, b: 2 * d, c: c})
	s.addRule(rule{target: 2*x + 1, a: 2*y + 1, b: 2 * d, c: c})
	s.addRule(rule{target: 2*d + 1, a: 2*y + 1, b: 2 * x, c: c})
}
