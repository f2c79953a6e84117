package agent

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The page answers to the name that multicast DNS gives the machine, without a line in the configuration.
func TestThePageAnswersToItsOwnNameInLocal(t *testing.T) {
	host, err := os.Hostname()
	require.NoError(t, err)
	first, _, _ := strings.Cut(host, ".")
	assert.Equal(t, []string{first + ".local"}, ownNames())
}
