module faultkeep

go 1.26.0

require (
	github.com/alecthomas/kong v1.17.0 // indirect
	github.com/cenkalti/backoff/v5 v5.0.3 // indirect
	github.com/fsnotify/fsnotify v1.10.1 // indirect
	github.com/goburrow/serial v0.1.0 // indirect
	github.com/goccy/go-yaml v1.19.2 // indirect
	github.com/google/go-cmp v0.7.0 // indirect
	github.com/kardianos/service v1.3.0 // indirect
	github.com/rogpeppe/go-internal v1.16.0 // indirect
	github.com/simonvetter/modbus v1.6.4 // indirect
	go.etcd.io/bbolt v1.5.0 // indirect
	golang.org/x/sys v0.50.0 // indirect
	pgregory.net/rapid v1.3.0 // indirect
)
