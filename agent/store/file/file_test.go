package file

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// modernc.org/libc must be the very version that sqlite was made with, or it crashes on 32-bit ARM.
func TestLibcIsTheOneSQLiteWants(t *testing.T) {
	list := func(format, module string) string {
		out, err := exec.Command("go", "list", "-m", "-f", format, module).Output()
		require.NoError(t, err)
		return strings.TrimSpace(string(out))
	}
	data, err := os.ReadFile(filepath.Join(list("{{.Dir}}", "modernc.org/sqlite"), "go.mod"))
	require.NoError(t, err)
	assert.Contains(t, string(data), "modernc.org/libc "+list("{{.Version}}", "modernc.org/libc")+"\n")
}
