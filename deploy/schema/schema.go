// Package schema embeds the published JSON Schemas, so that the fleet's collector checks what units
// send against the same files that others read.
package schema

import "embed"

// Files are the schemas, by the names of their files.
//
//go:embed *.schema.json
var Files embed.FS
