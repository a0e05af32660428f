package main

import (
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
)

// TestLongReplayIsFlat replays 24 hours of 8 channels at 2,000 scans a second
// from an int16 WAV file of 2.8 GB (sparse) and holds the greatest resident
// memory, VmHWM, under 40 MB. It runs with KERFWIND_LONG=1.
func TestLongReplayIsFlat(t *testing.T) {
	if os.Getenv("KERFWIND_LONG") == "" {
		t.Skip("set KERFWIND_LONG=1 to replay a day")
	}
	dir := t.TempDir()
	bin := filepath.Join(dir, "kerfwind")
	if out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	const channels, rate, seconds = 8, 2000, 24 * 60 * 60
	const size = channels * rate * seconds * 2
	head := []byte("RIFF....WAVEfmt ")
	head = binary.LittleEndian.AppendUint32(head, 16)
	head = binary.LittleEndian.AppendUint16(head, 1)
	head = binary.LittleEndian.AppendUint16(head, channels)
	head = binary.LittleEndian.AppendUint32(head, rate)
	head = binary.LittleEndian.AppendUint32(head, rate*channels*2)
	head = binary.LittleEndian.AppendUint16(head, channels*2)
	head = binary.LittleEndian.AppendUint16(head, 16)
	head = append(head, "data"...)
	head = binary.LittleEndian.AppendUint32(head, size)
	binary.LittleEndian.PutUint32(head[4:], uint32(len(head)-8+size))
	day := filepath.Join(dir, "day.wav")
	if err := os.WriteFile(day, head, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(day, int64(len(head))+size); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(bin, "replay", "--amps", "--json", day)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if len(out) != 0 {
		t.Errorf("a day of silence makes events:\n%s", out)
	}
	// Maxrss starts from this test's own resident memory, so it can only say
	// too much.
	usage, ok := cmd.ProcessState.SysUsage().(*syscall.Rusage)
	if !ok {
		t.Fatalf("no resource usage on this system: %T", cmd.ProcessState.SysUsage())
	}
	t.Logf("VmHWM at most %d kB, %v of processor time", usage.Maxrss, cmd.ProcessState.UserTime()+cmd.ProcessState.SystemTime())
	if usage.Maxrss >= 40_000 {
		t.Errorf("VmHWM %d kB, want less than 40,000", usage.Maxrss)
	}
}
