package listen

import (
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestTakenPort(t *testing.T) {
	l, err := Open(t.Context(), "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	_, err = Open(t.Context(), l.Addr().String())
	require.ErrorIs(t, err, syscall.EADDRINUSE)
	assert.Contains(t, err.Error(), l.Addr().String())
	assert.Contains(t, err.Error(), "port in use by another program")
	_, err = Open(t.Context(), "127.0.0.1:port")
	assert.Error(t, err)
	_, err = Open(t.Context(), "192.0.2.1:0") // TEST-NET-1 of RFC 5737: no machine has it
	assert.ErrorContains(t, err, "does not have that address")
}
