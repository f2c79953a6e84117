package board_test

import (
	"fmt"
	"time"

	"liftbank/sim/board"
)

// A battery of 12.65 V behind a divider, read by hand over the bus.
func Example() {
	clock := &steppedClock{}
	voltage := board.Sensor{
		True:  func(time.Duration) float64 { return 12.65 },
		Front: board.Divider{TopOhm: 56e3, BottomOhm: 10e3},
	}
	chip := board.NewChip(0x48, clock, board.Options{OscillatorError: 0.03})
	chip.Connect(0, voltage.Analog())
	bus := board.NewBus(clock, chip)

	_ = bus.Tx(0x48, []byte{0x01, 0xC3, 0x83}, nil) // AIN0, ±4.096 V, single shot, 128 SPS
	clock.now += 9 * time.Millisecond
	code := make([]byte, 2)
	_ = bus.Tx(0x48, []byte{0x00}, code)
	fmt.Println(int16(code[0])<<8 | int16(code[1]))

	bus.NACK(0x48, 1)
	fmt.Println(bus.Tx(0x48, []byte{0x00}, code))
	// Output:
	// 15333
	// sysfs-i2c: remote I/O error
}
