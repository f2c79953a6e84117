// Package deploy embeds the example configs, so that the program can show a unit without any file.
package deploy

import _ "embed"

// BoardTwoBatteries is the config of the reference board: two batteries, two input chips.
//
//go:embed board-two-batteries.yaml
var BoardTwoBatteries []byte

// BoardFourBatteries is the config of a board for four batteries with four input chips.
//
//go:embed board-four-batteries.yaml
var BoardFourBatteries []byte
