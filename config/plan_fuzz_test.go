package config

import (
	"os"
	"testing"

	"kerfwind/control/duct"
)

// Whatever a shop file holds, a plan of it is an error or a network that can be
// solved.
func FuzzParsePlan(f *testing.F) {
	f.Add([]byte(ductPlain))
	for _, name := range []string{"../testdata/ducts/reference.toml", "../testdata/demo/shops/barn.toml"} {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := ParsePlan("shop.toml", data)
		if err != nil {
			return
		}
		n := s.Duct()
		if n == nil {
			return
		}
		solver, err := duct.NewSolver(n)
		if err != nil {
			t.Fatalf("a network that config has passed: %v", err)
		}
		if st := solver.Solve(0); !st.Converged {
			t.Errorf("%v", st)
		}
	})
}
