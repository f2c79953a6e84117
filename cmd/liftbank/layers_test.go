//go:build !board

package main

import (
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// layers lists the packages below a folder, ground floor first. A package imports of its own folder
// only what is on a lower floor; a package that is on none has no place yet.
var layers = map[string][]string{
	"rules": {
		"unit limit",
		"settings",
		"leadacid finding",
		"estimate loadtest network motor feed forecast pump daily bank trust zero tap label parked power blocks",
		"view",
		"detect",
		".",
		"constants",
	},
	"sensors": {"calibration", ".", "registers contact", "ads1115 iio ina hardware"},
	"sim":     {"detmath curve duty", "cell board", "bank scenario", "."},
	"agent": {
		"calibrate config/strict dial dial/packet disk fleet/ranges history internal/browsertest moment page/embedded snapshot readings tries trouble visit/picture",
		"disk/crash fleet/setup safefile visit/judge",
		"pin visit store/spans store/tables page/figures page/listen page/qr page/words",
		"page/draw",
		"config fleet/worklist store/file store/outbox store/past page/view page/web",
		"budget fit fleet/authority records recording store/queue store/window technician",
		"page/visits",
		"fleet/wire outlet records/schema store page",
		"fleet/db metrics publish",
		"metrics/registry",
		"fleet/alert fleet/desk fleet/intake fleet/series",
		". fleet",
	},
}

func TestNoImportRunsUp(t *testing.T) {
	root := filepath.Join("..", "..")
	for folder, floors := range layers {
		floor := map[string]int{}
		for i, names := range floors {
			for name := range strings.FieldsSeq(names) {
				floor[filepath.Join(folder, name)] = i
			}
		}
		err := filepath.WalkDir(filepath.Join(root, folder), func(path string, d os.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			pkg, err := filepath.Rel(root, filepath.Dir(path))
			require.NoError(t, err)
			own, known := floor[pkg]
			assert.True(t, known, "%s has no place among the layers of %s", pkg, folder)
			f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
			require.NoError(t, err)
			for _, imp := range f.Imports {
				name, err := strconv.Unquote(imp.Path.Value)
				require.NoError(t, err)
				to, ours := strings.CutPrefix(name, "liftbank/")
				if !ours || to != folder && !strings.HasPrefix(to, folder+"/") {
					continue
				}
				assert.Less(t, floor[to], own, "%s imports %s: an arrow never runs up, nor along a floor", path, to)
			}
			return nil
		})
		require.NoError(t, err)
	}
}
