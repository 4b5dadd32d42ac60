package alert

import (
	"net"
	"strings"
)

// SplitServer is a server of a sink in its parts: host or host:port, with the
// usual port where none is given.
func SplitServer(server, usual string) (host, port string, err error) {
	if host, port, err = net.SplitHostPort(server); err == nil {
		return host, port, nil
	}
	host = strings.TrimSuffix(strings.TrimPrefix(server, "["), "]")
	if strings.Contains(host, ":") && net.ParseIP(host) == nil {
		return "", "", err
	}
	return host, usual, nil
}

// Loopback tells whether a host is this computer, so that nothing sent there
// can be listened to on the network.
func Loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
