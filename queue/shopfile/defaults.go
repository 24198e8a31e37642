package shopfile

import (
	"time"

	"tickover/queue"
)

// Defaults returns a shop with what holds when the file does not say it. What
// depends on a single item is in [OperationDefaults] and in the constants
// below.
func Defaults() queue.Shop {
	return queue.Shop{
		Objective: queue.Objective{Late: 1, Flow: 0.05, Moved: 5, AcceptedMove: 20},
		Planning:  queue.Planning{Quantile: queue.QuantileDefault},
		Limits: queue.Limits{
			BatteryMinV:  12.5,
			ClockSkew:    2 * time.Minute,
			OverdueAfter: 10 * time.Minute,
			CallBefore:   3 * time.Minute,
			ShowroomMax:  60 * 24 * time.Hour,
			UnitsOpenMax: 400,
		},
	}
}

// OperationDefaults returns an operation of a kind with what holds when the
// file does not say it: the engine runs in a relearn, a restart check and a
// test ride.
func OperationDefaults(k queue.OperationKind) queue.Operation {
	return queue.Operation{
		Kind:   k,
		Engine: k == queue.Relearn || k == queue.RestartCheck || k == queue.TestRide,
	}
}

const (
	// anyWait: a stretch's end may wait as long as it takes; the default.
	anyWait time.Duration = -1
	// noLag: a precedence without a maximum lag; the default.
	noLag time.Duration = -1
	// fitmentDefault is the exhaust and intake that a calibration is for.
	fitmentDefault queue.Fitment = "standard"
	// revisionNoneNeeded is the revision of an entry that says none is needed.
	revisionNoneNeeded = 1
)

// maxWaitDefault: a running engine is not left waiting, anything else is.
func maxWaitDefault(op *queue.Operation, s queue.Stretch) time.Duration {
	if op.Engine && !s.HandsOn {
		return 0
	}
	return anyWait
}

// fixedEvidence are the evidence keys that the interlocks look at, with their type and
// unit.
var fixedEvidence = map[queue.EvidenceKey]queue.EvidenceField{
	queue.EvidenceOdometer:    {Type: queue.Number, Unit: "km"},
	queue.EvidenceEngineHours: {Type: queue.Number, Unit: "h"},
	queue.EvidenceBattery:     {Type: queue.Number, Unit: "V"},
	queue.EvidenceProgrammed:  {Type: queue.Date},
	queue.EvidenceCalibration: {Type: queue.Text},
	queue.EvidenceRevision:    {Type: queue.Text},
	queue.EvidenceFrame:       {Type: queue.Text},
	queue.EvidencePhotos:      {Type: queue.Photo},
}
