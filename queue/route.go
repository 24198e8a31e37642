package queue

// StepsOf returns the steps of a visit that takes the route with the options,
// nil if the shop has no such route: what [UnitArrived] gives a unit.
func (s *Shop) StepsOf(route RouteID, options []StepID) []Step {
	r := s.Route(route)
	if r == nil {
		return nil
	}
	return s.stepsOf(r, options)
}
