package simshop

import (
	"math"
	"strconv"
	"time"

	"tickover/queue"
)

// bike is what a machine's instruments would truly show.
type bike struct {
	odometerKM float64
	engineH    float64
	batteryV   float64
}

// bikeOf returns the machine, as it was last read if this run does not know it.
func (w *world) bikeOf(u *queue.Unit) *bike {
	b := w.bikes[u.ID]
	if b == nil {
		b = &bike{odometerKM: 6, engineH: 0.5, batteryV: 12.6}
		if u.OdometerKM != nil {
			b.odometerKM = *u.OdometerKM
		}
		if u.EngineH != nil {
			b.engineH = *u.EngineH
		}
		w.bikes[u.ID] = b
	}
	return b
}

// newBike draws a machine: a new one shows a few miles and half an hour
// (common practice, no source).
func (w *world) newBike(id queue.UnitID, o queue.Ownership) {
	b := &bike{batteryV: 12.0 + w.rand.Float64()*0.9}
	if o == queue.NewUnit {
		b.odometerKM, b.engineH = 4.8+w.rand.Float64()*1.6, 0.4+w.rand.Float64()*0.2
	} else {
		b.odometerKM = 200 + w.rand.Float64()*9000
		b.engineH = b.odometerKM / (20 + w.rand.Float64()*15)
	}
	w.bikes[id] = b
}

// readings are what a person writes down of a step, before its start or at
// its end.
func (w *world) readings(u *queue.Unit, st *queue.Step, op *queue.Operation, atStart bool) queue.Evidence {
	b, ev := w.bikeOf(u), queue.Evidence{}
	for i := range op.Evidence {
		f := &op.Evidence[i]
		if f.AtStart == atStart {
			ev[f.Key] = w.reading(u, st, b, f)
		}
	}
	return ev
}

// used is what a run of the step adds to the machine.
func (w *world) used(u *queue.Unit, op *queue.Operation) {
	b := w.bikeOf(u)
	if op.Engine {
		b.engineH += op.Duration().Hours()
	}
	if op.Kind == queue.TestRide {
		b.odometerKM += 5 + w.rand.Float64()*8
	}
}

func (w *world) reading(u *queue.Unit, st *queue.Step, b *bike, f *queue.EvidenceField) string {
	switch f.Key {
	case queue.EvidenceOdometer:
		return tenth(b.odometerKM)
	case queue.EvidenceEngineHours:
		return tenth(b.engineH)
	case queue.EvidenceBattery:
		return tenth(b.batteryV)
	case queue.EvidenceFrame:
		return u.Machine.Frame
	case queue.EvidenceProgrammed:
		return w.programmed()
	case queue.EvidenceCalibration:
		if st.Calibration != nil {
			return string(st.Calibration.ID)
		}
	case queue.EvidenceAir:
		return tenth(airC(w.now))
	case queue.EvidenceCoolant:
		return tenth(warmC + 4*(w.rand.Float64()-0.5))
	case queue.EvidenceRevision:
		if st.Calibration != nil {
			return strconv.Itoa(st.Calibration.Revision)
		}
	}
	switch f.Type {
	case queue.Number, queue.Count:
		return written(f, w.number(f))
	case queue.YesNo:
		return "yes"
	case queue.Date:
		return w.today()
	}
	if !f.Required && w.chance(0.7) {
		return ""
	}
	return pick(w, remarks)
}

// warmC is the coolant at the end of a relearn.
const warmC = 95.0

// airC is the air outside at a moment, of a mild coast at 55° N: 8 °C over the
// year, coldest late in January, warmest in the afternoon (of that order; no
// source).
func airC(at time.Time) float64 {
	day, hour := float64(at.YearDay()), float64(at.Hour())+float64(at.Minute())/60
	return 8 - 7*math.Cos(2*math.Pi*(day-25)/365.25) - 3*math.Cos(2*math.Pi*(hour-3)/24)
}

// warmRiseK is how far engines would warm up at idle, above the air, as one lump
// of heat (scheduler/estimate learns it again from what is written down).
const warmRiseK = 130.0

// coldness is how much longer an engine takes to get warm in this air than at
// 10 °C.
func coldness(air float64) float64 {
	need := func(air float64) float64 { return -math.Log(1 - (warmC-air)/warmRiseK) }
	return need(air) / need(10)
}

// remarks are texts that people write.
var remarks = []string{"as it should be", "all good", "done by the list", "small scratch on the left shroud", "chain adjusted", "loose plug put right"}

// programmed is the date that a controller reports: now and then nonsense
// (common practice, no source).
func (w *world) programmed() string {
	if w.chance(0.15) {
		return pick(w, []string{"1980-01-06", "1996-01-01", "1970-01-01"})
	}
	return w.today()
}

func (w *world) today() string {
	return w.now.In(w.floor.Almanac().Location()).Format(time.DateOnly)
}

// number draws a reading well inside the field's bounds, as far as it has any.
func (w *world) number(f *queue.EvidenceField) float64 {
	low, high := 1.0, 2.0
	switch {
	case f.Min != nil && f.Max != nil:
		span := *f.Max - *f.Min
		low, high = *f.Min+span*0.3, *f.Min+span*0.6
	case f.Min != nil:
		low, high = *f.Min, *f.Min+2
	case f.Max != nil:
		low, high = *f.Max-2, *f.Max
	}
	x := low + w.rand.Float64()*(high-low)
	if high-low > 3 {
		x = math.Round(x)
	}
	return x
}

// written is a reading as a person writes it.
func written(f *queue.EvidenceField, x float64) string {
	if f.Type == queue.Count {
		x = math.Round(x)
	}
	return tenth(x)
}

func tenth(x float64) string { return strconv.FormatFloat(math.Round(x*10)/10, 'f', -1, 64) }

// mistype sends the sign-off with one reading wrong, in a way that an
// interlock catches, and reports whether it did.
func (w *world) mistype(p *person, j *job, done *queue.FinishStep) bool {
	wrong := w.wrongReadings(j, done.Evidence)
	w.rand.Shuffle(len(wrong), func(a, b int) { wrong[a], wrong[b] = wrong[b], wrong[a] })
	for _, ev := range wrong {
		bad := *done
		bad.Evidence = ev
		if r := w.try(p.id, &bad); r != nil && r.Interlock > 0 {
			_ = w.do(p.id, &bad) // refused, and counted
			return true
		}
	}
	return false
}

// wrongReadings are the evidence with one field each as people get it wrong: a
// digit lost, a comma lost, next year, or left out.
func (w *world) wrongReadings(j *job, right queue.Evidence) []queue.Evidence {
	var out []queue.Evidence
	with := func(k queue.EvidenceKey, v string) {
		ev := queue.Evidence{}
		for key, value := range right {
			ev[key] = value
		}
		ev[k] = v
		out = append(out, ev)
	}
	for i := range j.op.Evidence {
		f := &j.op.Evidence[i]
		v := right[f.Key]
		switch {
		case f.AtStart || v == "":
		case f.Key == queue.EvidenceProgrammed:
			with(f.Key, w.now.AddDate(1, 0, 0).Format(time.DateOnly))
		case f.Key == queue.EvidenceCalibration:
			with(f.Key, v+"x")
		case f.Type.Measured():
			x, _ := strconv.ParseFloat(v, 64)
			with(f.Key, written(f, x/10))
			with(f.Key, written(f, x*10))
		case f.Required:
			with(f.Key, "")
		}
	}
	return out
}

// decideFate draws whether and where the run fails.
func (w *world) decideFate(j *job, st *queue.Step) {
	p, why := 0.0, []string(nil)
	last := len(j.op.Stretches) - 1
	at := last
	switch st.Kind {
	case queue.Flash:
		p, why = 0.03, []string{"the laptop lost the controller at 62 %", "the controller did not answer after the restart"}
		at = max(0, last-1)
	case queue.Relearn:
		p, why = 0.05, []string{"the idle hunts, coolant did not get warm enough", "somebody touched the throttle"}
	case queue.RestartCheck:
		p, why = 0.04, []string{"stalls when warm", "needs throttle to start"}
	case queue.TestRide:
		p, why = 0.05, []string{"hesitates off idle", "rear brake drags", "pulls to the left"}
	}
	j.failsAt, j.why = -1, ""
	w.luck("fate", j.key, j.runs)
	if w.happens(FailedWork, p) {
		j.failsAt, j.why = at, pick(w, why)
	}
}
