package main

import (
	"periph.io/x/conn/v3/gpio"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/sensors/hardware"
)

// openBoard opens the bus and the pins that a configuration names.
func openBoard(cfg *config.Config) (*hardware.Hardware, error) {
	h := hardware.Config{Bus: cfg.Board.I2CBus, SCL: cfg.Board.SCLPin, SDA: cfg.Board.SDAPin}
	for _, c := range cfg.Board.Chips {
		h.Chips = append(h.Chips, c.ChipConfig)
	}
	pulls := map[config.Pull]gpio.Pull{config.PullUp: gpio.PullUp, config.PullDown: gpio.PullDown,
		config.PullNone: gpio.Float}
	for _, c := range cfg.Board.Contacts {
		h.Contacts = append(h.Contacts, hardware.Contact{
			Name: string(c.Signal), Pin: c.Pin, ActiveLow: c.ActiveLow, Pull: pulls[c.Pull], Debounce: c.Debounce,
		})
	}
	return hardware.Open(h)
}

func partsOf(h *hardware.Hardware) agent.Parts {
	return agent.Parts{Chips: h.Chips, Contacts: h.Contacts(), Clock: h.Clock, Wall: agent.SystemWall}
}
