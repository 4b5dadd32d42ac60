package drivesim

type Machine struct {
	Name                 string
	Causes               []Cause
	Speed, RunDown, Warm float64
}

func (m Machine) SteadyCurrent() float64 { return 20 }
func (m Machine) SteadyTorque() float64  { return 20 }
func (m Machine) Link() float64          { return 565 }
func Belt() Machine {
	return Machine{Name: "belt conveyor", Causes: Causes, Speed: 1450, RunDown: 3, Warm: 55}
}

type Noise string
type course struct{}

func Elevator() Machine { return Belt() }
func Slew() Machine     { return Belt() }
func Fan() Machine      { return Belt() }
