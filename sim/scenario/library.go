package scenario

import "embed"

// Library holds the named scenarios, as files: library/NAME.yaml. They are read like any other
// scenario file; a test holds that each is readable and tells its story.
//
//go:embed library/*.yaml
var Library embed.FS
