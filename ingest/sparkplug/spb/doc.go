// Package spb is a second reading of Sparkplug B payloads, made by protoc from
// sparkplug.proto: the tests write payloads with it and hold the monitor's own
// reader against it.
//
// It may not be used by the monitor, which reads payloads without allocating.
package spb

// Made by Debian's protobuf-compiler with the protoc-gen-go of this module; a test
// makes it again.
//
//go:generate sh -c "go build -o ${TMPDIR:-/tmp}/protoc-gen-go google.golang.org/protobuf/cmd/protoc-gen-go && protoc --plugin=${TMPDIR:-/tmp}/protoc-gen-go --go_out=. --go_opt=paths=source_relative sparkplug.proto"
