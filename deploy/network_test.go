package deploy_test

import (
	"encoding/xml"
	"net"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
)

// NetworkManager's own reader takes the access point, and keeps what it says.
func TestNetworkManagerTakesTheAccessPoint(t *testing.T) {
	nmcli := program(t, "nmcli", "network-manager")
	cmd := exec.Command(nmcli, "--offline", "connection", "modify", "connection.autoconnect", "yes")
	cmd.Stdin = strings.NewReader(read(t, "network", "liftbank-ap.nmconnection"))
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	for _, want := range []string{
		"\nmode=ap\n", "\nkey-mgmt=wpa-psk\n", "\nproto=rsn;\n", "\npairwise=ccmp;\n", "\nmethod=shared\n", "\naddress1=10.42.0.1/24\n",
		"\nnever-default=true\n",
	} {
		assert.Contains(t, string(out), want, "what isn't understood is left out")
	}
	assert.NotContains(t, string(out), "\npsk=\n")
}

func TestDnsmasqTakesTheOptions(t *testing.T) {
	out, err := exec.Command(program(t, "dnsmasq", "dnsmasq-base"), "--test", "--conf-file=network/liftbank-dnsmasq.conf").CombinedOutput()
	require.NoError(t, err, "%s", out)
	assert.Contains(t, string(out), "OK")
	text := read(t, "network", "liftbank-dnsmasq.conf")
	for _, option := range []string{"router", "dns-server"} { // RFC 2132, 3.5 and 3.8; named without a value they are not sent (dnsmasq(8))
		assert.Contains(t, text, "\ndhcp-option=option:"+option+"\n")
	}
}

// The announcement is of the port that a unit has by default, in the order of avahi-service.dtd (avahi.service(5)).
func TestTheAnnouncementIsOfThePage(t *testing.T) {
	var group struct {
		XMLName xml.Name `xml:"service-group"`
		Name    string   `xml:"name"`
		Service []struct {
			Type string `xml:"type"`
			Port int    `xml:"port"`
		} `xml:"service"`
	}
	require.NoError(t, xml.Unmarshal([]byte(read(t, "network", "liftbank-avahi.service")), &group))
	require.Len(t, group.Service, 1)
	assert.Equal(t, "_http._tcp", group.Service[0].Type)
	assert.Contains(t, group.Name, "%h")
	_, port, err := net.SplitHostPort(config.Default().HTTP.Listen)
	require.NoError(t, err)
	assert.Equal(t, port, strconv.Itoa(group.Service[0].Port))
}
