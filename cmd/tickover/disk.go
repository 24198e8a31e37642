package main

import (
	"golang.org/x/sys/unix"

	"tickover/metrics"
)

// sampleDisk tells the metrics of the disk under the data directory; what the
// system does not say stays as it was.
func sampleDisk(m *metrics.Metrics, dir string) {
	var fs unix.Statfs_t
	if dir == "" || unix.Statfs(dir, &fs) != nil {
		return
	}
	size := uint64(fs.Bsize) // its type differs between systems
	m.Volume(fs.Blocks*size, uint64(fs.Bavail)*size)
}
