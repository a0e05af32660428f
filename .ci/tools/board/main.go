// Command board boots the boards that .ci/board/run has laid out, works their lines
// from outside, and holds what kerfwind does on them:
//
//	go run ./board FOLDER
//
// On the Zero everything of the rig is there: a gate is held open, and a contact is
// closed from the start; the servo chip's registers and the contactor's line follow;
// the program is killed; halt lets the line go; the I2C bus is taken away and comes
// back. The 3B has its SPI off and no servo chip: doctor, run and status say so.
//
// Lines are worked and read through QEMU's debugger port, in physical memory: a word
// written to the set or clear register of the BCM2835 (BCM2835 ARM Peripherals,
// chapter 6) also changes what an input reads in QEMU's model, as a wire would, but
// without an interrupt: a contact is worked before the program starts.
// Times are the guest's own, from the chip's free-running counter (chapter 12).
package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Offsets from the start of the peripherals.
const (
	counter  = 0x3004   // microseconds
	function = 0x200000 // three bits a line, ten lines a word: 0 in, 1 out
	set      = 0x20001c
	clearing = 0x200028
	level    = 0x200034
)

// The lines of .ci/board/rig.toml.
const (
	contactor   = 17
	door        = 22 // the stop; closed is well
	switchInput = 13
	button      = 25
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: board FOLDER")
		os.Exit(2)
	}
	for _, b := range []struct {
		name string
		try  func(*board)
	}{{"zero", zero}, {"three", three}} {
		if err := boot(os.Args[1], b.name, b.try); err != nil {
			fmt.Fprintf(os.Stderr, "board: %s: %v\n", b.name, err)
			os.Exit(1)
		}
	}
	fmt.Println("board: passed")
}

// zero holds a Pi Zero with the whole rig.
func zero(b *board) {
	b.open(switchInput)
	b.open(button)
	b.shut(door)
	b.sh("kerfwind doctor --rig /etc/kerfwind/rig.toml --shop /etc/kerfwind/shop.toml").
		has("doctor: the servo chip answers", `(?m)^ok .*servo chip 0x40 answers`).
		has("doctor: every line is free", `(?m)^ok .*lines of the rig: 9, all free`).
		has("doctor: a converter that answers zeros only", `(?m)^BAD +converter a: .*all inputs read zero`).
		has("doctor: nothing else is bad", `, 1 bad`)

	b.run()
	b.hold("off at rest", b.low)
	b.sh("kerfwind ask hold sander --runtime /run/kerfwind")
	b.until("the contactor's line rises", 10*time.Second, b.high)
	// MODE1 awake with auto-increment, PRESCALE for 50 Hz.
	b.sh("i2cdump -y 1 0x40 b | grep -E '^(00|f0)'").has("the servo chip is set", `(?m)^00: 2[01]`).has("its prescale", `(?m)^f0:.* 7[89a]`)
	b.sh("grep VmHWM /proc/$(pidof kerfwind)/status").print("peak memory")
	b.sh("kerfwind ask release sander --runtime /run/kerfwind")
	b.say("from release to off: %.2f s of guest time", b.until("the contactor's line falls", 30*time.Second, b.low).Seconds())
	b.stop()

	b.shut(switchInput)
	began := b.now()
	b.start()
	b.until("a contact that is closed starts the collector", 30*time.Second, b.high)
	b.say("start of the program to contactor: %.2f s of guest time, with 1 s of power-up and 0.4 s of travel", (b.now() - began).Seconds())
	b.sh("kill -9 $(pidof kerfwind); sleep 1")
	b.say("after kill -9 the contactor's line is %s", map[bool]string{true: "still on", false: "off"}[b.high() && b.output(contactor)])
	b.sh("kerfwind halt --rig /etc/kerfwind/rig.toml; echo rc $?").has("halt", `rc 0`)
	b.hold("off after halt", b.dark)

	// The bus of the servo chip is missing at the start and comes back.
	b.open(switchInput)
	b.sh("echo 20804000.i2c >/sys/bus/platform/drivers/i2c-bcm2835/unbind; ls /dev/i2c-1 2>&1").has("the bus is gone", `No such file`)
	b.say("serving with a dead bus after %.1f s of guest time", b.run().Seconds())
	b.sh("kerfwind status --runtime /run/kerfwind").has("status names what is missing", `/dev/i2c-1`)
	b.sh("echo 20804000.i2c >/sys/bus/platform/drivers/i2c-bcm2835/bind; sleep 15; kerfwind status --runtime /run/kerfwind").
		lacks("the bus was taken up", `/dev/i2c-1`)
	b.sh("kerfwind ask hold sander --runtime /run/kerfwind")
	b.until("the gate on the bus that came back is served", 20*time.Second, b.high)
	b.stop()
}

// three holds a Pi 3B on which SPI is off and no servo chip answers.
func three(b *board) {
	b.open(switchInput)
	b.open(button)
	b.shut(door)
	b.sh("kerfwind doctor --rig /etc/kerfwind/rig.toml --shop /etc/kerfwind/shop.toml").
		has("the setting for SPI", `dtparam=spi=on`).
		has("the servo chip that is missing", `0x40`)
	b.say("serving after %.1f s of guest time", b.run().Seconds())
	b.sh("kerfwind status --runtime /run/kerfwind").has("status names the converter", `spidev0\.0`).has("and the bus", `/dev/i2c-1`)
	b.hold("off at rest", b.low)
	b.stop()
}

// --- a board ---------------------------------------------------------------

type board struct {
	name  string
	base  uint64 // of the peripherals
	in    io.Writer
	lines chan string
	gdb   string
	since time.Time // of the host: nothing may hang for ever
}

// failure is what try throws and boot catches.
type failure struct{ error }

func boot(work, name string, try func(*board)) (err error) {
	dir := filepath.Join(work, name)
	lib := filepath.Join(work, "qemu/usr/lib/x86_64-linux-gnu")
	b := &board{name: name, base: 0x20000000, gdb: filepath.Join(dir, "gdb"), lines: make(chan string, 1000), since: time.Now()}
	machine, console := []string{"qemu-system-arm", "-M", "raspi0", "-icount", "shift=2,sleep=off"}, "ttyAMA0,115200 earlycon=pl011,0x20201000"
	if name == "three" {
		b.base = 0x3f000000
		// Its first serial port is the radio's.
		machine, console = []string{"qemu-system-aarch64", "-M", "raspi3b", "-icount", "shift=3,sleep=off", "-serial", "null"}, "ttyS1,115200 maxcpus=1"
	}
	args := []string{"--library-path", lib + ":" + filepath.Join(lib, "pulseaudio"), filepath.Join(work, "qemu/usr/bin", machine[0])}
	args = append(args, machine[1:]...)
	args = append(args, "-no-reboot", "-kernel", filepath.Join(dir, "vmlinuz"), "-dtb", filepath.Join(dir, "board.dtb"),
		"-initrd", filepath.Join(dir, "initrd.cpio"), "-L", filepath.Join(work, "qemu/usr/share/qemu"),
		"-append", "console="+console+" rdinit=/init panic=-1 loglevel=4",
		"-serial", "stdio", "-display", "none", "-monitor", "none", "-gdb", "unix:"+b.gdb+",server=on,wait=off")
	if name == "zero" {
		// An EEPROM is a file of registers and plays the servo chip.
		args = append(args, "-device", "at24c-eeprom,bus=i2c-bus.1,address=0x40,rom-size=256,address-size=1,writable=true")
	}
	cmd := exec.Command(filepath.Join(work, "qemu/usr/lib64/ld-linux-x86-64.so.2"), args...)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	log, err := os.Create(filepath.Join(dir, "log"))
	if err != nil {
		return err
	}
	defer func() { _ = log.Close() }()
	if err := cmd.Start(); err != nil {
		return err
	}
	b.in = in
	go func() {
		defer close(b.lines)
		s := bufio.NewScanner(io.TeeReader(out, log))
		for s.Scan() {
			b.lines <- strings.TrimRight(s.Text(), "\r")
		}
	}()
	defer func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		switch f := recover().(type) {
		case nil:
		case failure:
			err = fmt.Errorf("%w; what it printed is in %s", f.error, filepath.Join(dir, "log"))
		default:
			panic(f)
		}
	}()
	up := b.wait("BOARD-UP")
	_, after, _ := strings.Cut(up[len(up)-1], "BOARD-UP ")
	b.say("shell after %s s of guest time", after)
	try(b)
	b.say("done after %.0f s", time.Since(b.since).Seconds())
	return nil
}

func (b *board) fail(format string, args ...any) { panic(failure{fmt.Errorf(format, args...)}) }

func (b *board) say(format string, args ...any) {
	fmt.Printf("board: %s: %s\n", b.name, fmt.Sprintf(format, args...))
}

// wait returns the lines up to one that begins with the mark.
func (b *board) wait(mark string) []string {
	var got []string
	late := time.After(8 * time.Minute)
	for {
		select {
		case l, ok := <-b.lines:
			if !ok {
				b.fail("it went down before %s:\n%s", mark, strings.Join(got, "\n"))
			}
			got = append(got, l)
			if strings.Contains(l, mark) { // the second port of a 3B begins with a stray byte
				return got
			}
		case <-late:
			b.fail("no %s in time:\n%s", mark, strings.Join(got, "\n"))
		}
	}
}

// said is what a command on the board printed.
type said struct {
	b       *board
	command string
	text    string
}

// sh runs a command on the board.
func (b *board) sh(command string) said {
	if _, err := fmt.Fprintf(b.in, "%s\necho BOARD-DONE\n", command); err != nil {
		b.fail("%s: %w", command, err)
	}
	got := b.wait("BOARD-DONE")
	return said{b: b, command: command, text: strings.Join(got[:len(got)-1], "\n")}
}

func (s said) has(what, pattern string) said {
	if !regexp.MustCompile(pattern).MatchString(s.text) {
		s.b.fail("%s: %s does not print %s:\n%s", what, s.command, pattern, s.text)
	}
	s.b.say("%s: ok", what)
	return s
}

func (s said) lacks(what, pattern string) said {
	if regexp.MustCompile(pattern).MatchString(s.text) {
		s.b.fail("%s: %s prints %s:\n%s", what, s.command, pattern, s.text)
	}
	s.b.say("%s: ok", what)
	return s
}

func (s said) print(what string) { s.b.say("%s: %s", what, strings.Join(strings.Fields(s.text), " ")) }

func (b *board) start() {
	b.sh("kerfwind run --rig /etc/kerfwind/rig.toml --shop /etc/kerfwind/shop.toml --state /var/lib/kerfwind >/tmp/run.log 2>&1 &")
}

// stop ends the program as a service manager does.
func (b *board) stop() {
	b.sh("kill $(pidof kerfwind); sleep 3; pidof kerfwind || echo ended").has("it ends when asked", `ended`)
	b.hold("off at the end", b.dark)
}

// run starts the program, waits until it serves and returns how long that took.
func (b *board) run() time.Duration {
	began := b.now()
	b.start()
	for range 100 {
		if !strings.Contains(b.sh("kerfwind status --runtime /run/kerfwind >/dev/null 2>&1 && echo serving").text, "serving") {
			continue
		}
		took := b.now() - began
		b.sh("sleep 4") // power-up, gates homed
		return took
	}
	b.fail("it does not serve:\n%s", b.sh("cat /tmp/run.log").text)
	return 0
}

// hold fails unless it is so.
func (b *board) hold(what string, is func() bool) {
	if !is() {
		b.fail("not so: %s\n%s", what, b.sh("cat /tmp/run.log; kerfwind status --runtime /run/kerfwind").text)
	}
	b.say("%s: ok", what)
}

// until returns the guest's time until it is so.
func (b *board) until(what string, most time.Duration, is func() bool) time.Duration {
	began := b.now()
	for b.now()-began < most {
		if is() {
			return b.now() - began
		}
		time.Sleep(10 * time.Millisecond)
	}
	b.fail("not within %v: %s\n%s", most, what, b.sh("cat /tmp/run.log; kerfwind status --runtime /run/kerfwind").text)
	return 0
}

func (b *board) now() time.Duration { return time.Duration(b.read(counter)) * time.Microsecond }
func (b *board) open(line uint)     { b.write(set, 1<<line) } // a pull-up holds it high
func (b *board) shut(line uint)     { b.write(clearing, 1<<line) }
func (b *board) high() bool         { return b.read(level)>>contactor&1 == 1 }
func (b *board) low() bool          { return !b.high() }

// dark reports that the contactor's line does not drive it.
func (b *board) dark() bool { return b.low() || !b.output(contactor) }

func (b *board) output(line uint64) bool {
	return b.read(function+line/10*4)>>(line%10*3)&7 == 1
}

// --- the debugger's port -----------------------------------------------------

func (b *board) read(offset uint64) uint64 {
	answer := b.ask(fmt.Sprintf("m%x,4", b.base+offset))
	var v uint64
	for i := len(answer) - 2; i >= 0; i -= 2 {
		n, err := strconv.ParseUint(answer[i:i+2], 16, 8)
		if err != nil {
			b.fail("the debugger's port answers %q", answer)
		}
		v = v<<8 | n
	}
	return v
}

func (b *board) write(offset uint64, v uint32) {
	hex := fmt.Sprintf("%02x%02x%02x%02x", byte(v), byte(v>>8), byte(v>>16), byte(v>>24))
	if a := b.ask(fmt.Sprintf("M%x,4:%s", b.base+offset, hex)); a != "OK" {
		b.fail("the debugger's port answers %q", a)
	}
}

// ask stops the machine, asks one thing in physical memory and lets it go on.
func (b *board) ask(command string) string {
	c, err := net.Dial("unix", b.gdb)
	if err != nil {
		b.fail("debugger's port: %w", err)
	}
	defer func() { _ = c.Close() }()
	if err := c.SetDeadline(time.Now().Add(time.Minute)); err != nil {
		b.fail("debugger's port: %w", err)
	}
	r := bufio.NewReader(c)
	if a := b.packet(c, r, "Qqemu.PhyMemMode:1"); a != "OK" {
		b.fail("QEMU does not know physical memory: %q", a)
	}
	answer := b.packet(c, r, command)
	// To detach would let only one cluster of processors go on.
	if _, err := io.WriteString(c, "$c#63"); err != nil {
		b.fail("debugger's port: %w", err)
	}
	if ack, err := r.ReadByte(); err != nil || ack != '+' {
		b.fail("debugger's port: it does not go on: %q, %w", ack, err)
	}
	return answer
}

func (b *board) packet(c io.Writer, r *bufio.Reader, command string) string {
	var sum byte
	for i := range len(command) {
		sum += command[i]
	}
	_, err := fmt.Fprintf(c, "$%s#%02x", command, sum)
	for err == nil {
		var s string
		if s, err = r.ReadString('#'); err != nil {
			break
		}
		if _, err = io.ReadFull(r, make([]byte, 2)); err != nil {
			break
		}
		_, err = io.WriteString(c, "+")
		if _, body, ok := strings.Cut(s, "$"); ok && !strings.HasPrefix(body, "T0") { // T0x: it has stopped
			return strings.TrimSuffix(body, "#")
		}
	}
	if errors.Is(err, io.EOF) {
		err = errors.New("QEMU has gone")
	}
	b.fail("debugger's port: %s: %w", command, err)
	return ""
}
