package promise

// Worth is what times that were said with one share were worth.
type Worth struct {
	Share   float64
	N, Kept int
	// Value is the share kept, Low and High hold it with 95 % (Wilson), Raw is
	// that of the plan alone; all 0 while N is.
	Value, Low, High, Raw float64
}

// WorthOf counts the answers of which the outcome is known, one row for each of
// [Levels]. Open are those that it is not known of yet.
func WorthOf(all []Answer) (rows []Worth, n, open int) {
	rows = make([]Worth, len(Levels))
	for i := range rows {
		rows[i].Share = Levels[i]
	}
	for i := range all {
		a := &all[i]
		if a.Left {
			continue
		}
		if a.Ready.IsZero() {
			open++
			continue
		}
		n++
		for l := range rows {
			rows[l].N++
			if kept, _ := a.Kept(l); kept {
				rows[l].Kept++
			}
			if kept, _ := a.KeptRaw(l); kept {
				rows[l].Raw++
			}
		}
	}
	for l := range rows {
		r := &rows[l]
		if r.N == 0 {
			continue
		}
		r.Value, r.Raw = float64(r.Kept)/float64(r.N), r.Raw/float64(r.N)
		r.Low, r.High = Wilson(r.Value, float64(r.N))
	}
	return rows, n, open
}
