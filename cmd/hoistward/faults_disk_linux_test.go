package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unsafe"
)

// realDisk is an ext4 file system on a block device of its own, which fails as the
// kernel lets it fail.
type realDisk struct {
	t     testing.TB
	dir   string
	image string
	n     int
}

// newDisk makes and mounts one, of 32 MiB; where that is not permitted the test is
// skipped.
func newDisk(t testing.TB) *realDisk {
	t.Helper()
	d := &realDisk{t: t, dir: t.TempDir()}
	if err := d.mount(); err != nil {
		t.Skipf("a disk of its own cannot be mounted here, so this fault is not provoked: %v", err)
	}
	t.Cleanup(d.away)
	return d
}

// mount puts a new, empty disk in place.
func (d *realDisk) mount() error {
	d.n++
	d.image = filepath.Join(d.t.TempDir(), fmt.Sprintf("disk%d", d.n))
	if err := os.WriteFile(d.image, nil, 0o600); err != nil {
		return err
	}
	if err := os.Truncate(d.image, 32<<20); err != nil {
		return err
	}
	for _, args := range [][]string{{needTool(d.t, "mkfs.ext4", "/usr/sbin/mkfs.ext4"), "-q", "-F", d.image},
		{"mount", "-o", "loop,errors=remount-ro", d.image, d.dir}} {
		if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
			return fmt.Errorf("%v: %w: %s", args, err, out)
		}
	}
	return nil
}

// away takes the disk out of its place. Who has files open on it keeps them.
func (d *realDisk) away() { _ = syscall.Unmount(d.dir, mntDetach) }

// readOnly makes the kernel find an error on the disk, after which it takes nothing more.
func (d *realDisk) readOnly() {
	d.t.Helper()
	out, err := exec.Command("losetup", "-n", "-O", "NAME", "-j", d.image).Output()
	if err != nil {
		d.t.Fatal(err)
	}
	device := filepath.Base(strings.TrimSpace(string(out)))
	if err := os.WriteFile("/sys/fs/ext4/"+device+"/trigger_fs_error", []byte("a fault that a test provokes"), 0); err != nil {
		d.t.Skipf("errors of a disk cannot be provoked here: %v", err)
	}
}

// pull ends the disk as pulling it does: every access to it is an input/output error
// from now on.
func (d *realDisk) pull() {
	d.t.Helper()
	f, err := os.Open(d.dir)
	if err != nil {
		d.t.Fatal(err)
	}
	defer f.Close()
	const shutdown, noFlush = 0x8004587d, 2 // EXT4_IOC_SHUTDOWN and EXT4_GOING_FLAGS_NOLOGFLUSH of the kernel's ext4.h
	how := uint32(noFlush)
	if _, _, e := syscall.Syscall(syscall.SYS_IOCTL, f.Fd(), shutdown, uintptr(unsafe.Pointer(&how))); e != 0 {
		d.t.Skipf("a disk cannot be shut down here: %v", e)
	}
}

func diskFull(f *fault) {
	disk := smallDisk(f.t, 24<<20, "")
	f.data = filepath.Join(disk, "data")
	f.watch(f.broker.mqtt(), "")
	f.sick("The disk is nearly full.")
	free := fill(f.t, disk)
	f.alarm("recording_stopped")
	f.sick("Recording has stopped for R1.")
	f.health("recording has stopped")
	f.alive(2 * time.Second)
	free()
	f.recovers(30*time.Second, time.Now(), "by itself when there is room", f.records)
	f.accounted("nothing of the first 16,384 entries, which wait for the disk; what is beyond them, and the recording states the gap", false)
}

// records tells whether the rig is recorded and no alarm says otherwise.
func (f *fault) records() bool {
	var h health
	return !f.hasAlarm("recording_stopped") && f.monitor.get("/healthz", &h) && len(h.Recorder.Failing) == 0 && h.Recorder.Waiting < 100
}

// diskReplaced is what a disk that takes nothing more has in common with one that is
// pulled: it is watched on, and recorded on when another disk is in its place.
func diskReplaced(f *fault, fail func(*realDisk)) {
	disk := newDisk(f.t)
	f.data = filepath.Join(disk.dir, "data")
	f.watch(f.broker.mqtt(), "")
	from := time.Now()
	fail(disk)
	f.alarm("recording_stopped")
	f.sick("Recording has stopped for R1.")
	f.alive(2 * time.Second)
	disk.away()
	if err := disk.mount(); err != nil {
		f.t.Fatal(err)
	}
	f.recovers(30*time.Second, time.Now(), "by itself when another disk is in its place", f.records)
	before := f.rigs.confirmed()[0].at
	f.accounted("the seconds before the fault that had not reached the disk; what waits in memory is on the new disk", false, span{before, from.Add(margin)})
}

func diskReadOnly(f *fault) { diskReplaced(f, (*realDisk).readOnly) }
func diskPulled(f *fault)   { diskReplaced(f, (*realDisk).pull) }

// diskSlow runs the monitor under strace, which makes each wait for the disk, and each
// write of the recorder, last longer.
func diskSlow(f *fault) {
	strace := needTool(f.t, "strace")
	f.wrap = []string{strace, "-f", "--seccomp-bpf", "-o", "/dev/null", "-e", "trace=fsync,fdatasync,pwrite64",
		"-e", "inject=fsync,fdatasync:delay_enter=1500000", "-e", "inject=pwrite64:delay_enter=20000"}
	f.watch(f.broker.mqtt(), "")
	f.alive(5 * time.Second)
	f.nothingToRecover()
	f.slow = true
	f.accounted("nothing", false)
}
