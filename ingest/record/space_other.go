//go:build !linux && !darwin

package record

// freeSpace is not known here.
func freeSpace(string) (uint64, bool) { return 0, false }
