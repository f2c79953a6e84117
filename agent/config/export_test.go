package config

// ChipKinds are the kinds of input chip that the configuration knows.
var ChipKinds = chipKinds
