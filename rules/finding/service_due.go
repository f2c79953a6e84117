package finding

// Causes of service-due, in the order of its catalogue entry.
const (
	ServiceDueCycles = iota
	ServiceDueHours
)

// ServiceDue is a service interval reached.
var ServiceDue = Definition{
	Name:     "service-due",
	Severity: Note,
	Summary:  "The lift has reached its service interval.",
	Detected: "Lift cycles or motor hours since the last service reached the number set from the lift maker's manual.",
	Causes: []string{
		ServiceDueCycles: "lift cycles reached",
		ServiceDueHours:  "motor hours reached",
	},
	NextCheck:  "Do the service in the lift maker's manual, then enter it: the counts begin again.",
	Clears:     "The service entered.",
	Hysteresis: "None: it stays until the service is entered.",
	Bound:      "at once",
	Settings:   []string{"service.lift_cycles", "service.motor_hours"},
}
