package meter

import (
	"fmt"

	"tickover/metrics"
	"tickover/queue"
)

// constraintCount is the number of constraints that a plan keeps: C1…C14.
const constraintCount = 14

// Words are the enumerations of the queue and the planner as labels.
func Words() metrics.Words {
	w := metrics.Words{
		Ownerships: queue.Ownerships(),
		Codes: texts(queue.CodeUnknown, queue.CodeMalformed, queue.CodeWrongStep, queue.CodeNotReady,
			queue.CodeWrongBench, queue.CodeWrongPerson, queue.CodeStale, queue.CodeExists, queue.CodeClosed, queue.CodeFull),
		EventTypes: texts(queue.TypeShopConfigured, queue.TypeUnitArrived, queue.TypeUnitAmended, queue.TypeUnitLeft, queue.TypeUnitSold,
			queue.TypeAssignmentAccepted, queue.TypeAssignmentReturned, queue.TypeStepVoided, queue.TypeStepReopened,
			queue.TypeStepSkipped, queue.TypeReworkOpened, queue.TypeStepPinned, queue.TypeStepUnpinned,
			queue.TypeProblemReported, queue.TypeResourceClosed, queue.TypeResourceOpened, queue.TypeCalibrationsListed, queue.TypeCalibrationWithdrawn,
			queue.TypeCampaignOpened, queue.TypeCampaignClosed, queue.TypeCampaignContacted, queue.TypeStepsAdded),
	}
	for _, name := range queue.OperationKinds() {
		var k queue.OperationKind
		if err := k.UnmarshalText([]byte(name)); err != nil {
			panic(err)
		}
		end := "done"
		if k.Judged() {
			end = "passed"
		}
		w.EventTypes = append(w.EventTypes, name+".started", name+".advanced", name+"."+end, name+".failed")
	}
	for i := range queue.InterlockCount {
		w.Interlocks = append(w.Interlocks, queue.Interlock(i+1).String())
	}
	for i := range constraintCount {
		w.Constraints = append(w.Constraints, fmt.Sprintf("C%d", i+1))
	}
	return w
}

func texts[T ~string](in ...T) []string {
	out := make([]string, len(in))
	for i, s := range in {
		out[i] = string(s)
	}
	return out
}
