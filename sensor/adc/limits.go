package adc

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// Limits say how much the kernel's spidev takes in one call.
type Limits struct {
	Bytes int // bufsiz of the module: transmit bytes of one call
	Align int // each transfer counts as a multiple of this many bytes
}

// Strictest are limits that every kernel has, with its default settings.
var Strictest = Limits{Bytes: 4096, Align: 128}

// maxPackets is where the size of the call's argument no longer fits the 14
// bits that it has in the number of the call (include/uapi/asm-generic/ioctl.h):
// 512 transfers of 32 bytes.
const maxPackets = 511

// Packets is how many transfers of n bytes fit one call.
func (l Limits) Packets(n int) int {
	align := max(l.Align, 1)
	return min(l.Bytes/((n+align-1)/align*align), maxPackets)
}

// ReadLimits reads the limits below root, which is "/" but in tests. The
// alignment depends on the kernel's architecture (ARCH_DMA_MINALIGN): 128
// bytes on 64-bit ARM, 64 on ARMv7, 32 on ARMv6. An unknown one counts as the
// strictest.
func ReadLimits(root string) (Limits, error) {
	l := Limits{Bytes: 4096}
	b, err := os.ReadFile(filepath.Join(root, "sys/module/spidev/parameters/bufsiz"))
	if err != nil {
		return l, fmt.Errorf("adc: no spidev in the kernel: %w. Switch SPI on in the board's settings", err)
	}
	if l.Bytes, err = strconv.Atoi(strings.TrimSpace(string(b))); err != nil || l.Bytes < 1 {
		return l, fmt.Errorf("adc: spidev's bufsiz is %q, not a number of bytes", b)
	}
	info, err := os.ReadFile(filepath.Join(root, "proc/sys/kernel/arch"))
	if err != nil {
		info = nil // kernels before 6.1 do not say
	}
	switch arch := strings.TrimSpace(string(info)); {
	case strings.HasPrefix(arch, "armv6"):
		l.Align = 32
	case strings.HasPrefix(arch, "armv7"):
		l.Align = 64
	case arch == "x86_64":
		l.Align = 8
	default:
		l.Align = 128
	}
	return l, nil
}
