package queue

// Names of things, each its own type so that a bench is not taken for a unit.
type (
	SiteID        string // one shop; lower-case letters, digits and '-'
	UnitID        string // a unit's visit, the number on its ticket
	StepID        string // a step of a unit's route, unique in the unit
	OperationID   string
	RouteID       string
	ResourceID    string // a bench, interface, charger, pad, loop or yard
	PersonID      string // a technician, a foreman or another who signs
	CommandID     string // made by whoever sends the command; the same on a repeat
	Family        string // controller family that an interface speaks to
	Fitment       string // exhaust and intake as fitted: "standard" or a name
	Skill         string
	ContactID     string // opaque; the person's data is kept outside the log
	EvidenceKey   string
	CalibrationID string
	Variant       string // of a calibration; "" is the standard one
	CampaignID    string
	MachineKey    string // a machine over all its visits
)
