package daemon

import (
	"fmt"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/config"
)

// remember makes the memory of a rig's last minutes.
func remember(r *config.Rig, notice func(error)) *record.Memory {
	if r.Converters() == 0 {
		return nil
	}
	m, err := record.NewMemory(record.Columns(r))
	if err != nil {
		notice(fmt.Errorf("the last minutes are not kept: %w", err))
		return nil
	}
	return m
}
