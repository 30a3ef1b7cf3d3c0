package store

import (
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// TestSectionsOfADay: what a verdict rests on is sealed with the day on which it
// was recorded, and names nobody.
func TestSectionsOfADay(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	register(t, s, cottage("heron-07")+"warranty: {terms: standard-60}\n")
	now := time.Now().UTC()
	o := Outage{From: now.Add(-8 * time.Hour), To: now.Add(-2 * time.Hour), Note: "R. Okafor called", ReportedAt: now, ReportedBy: "R. Okafor"}
	if _, err := s.ReportOutage(t.Context(), Scope{All: true}, "heron-07", o); err != nil {
		t.Fatal(err)
	}
	reg, _ := s.Registry().Property("heron-07")
	var lines []string
	err := withTx(t.Context(), s.evaluation, pgx.TxOptions{}, func(tx pgx.Tx) error {
		for _, load := range sectionLoaders {
			for _, nums := range [][]int32{{reg.Num}, {reg.Num + 1}} {
				found, err := load(t.Context(), tx, nums, now.Add(-time.Minute), now.Add(time.Hour))
				if err != nil {
					return err
				}
				for _, l := range found {
					lines = append(lines, l.section+" "+l.line)
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	all := strings.Join(lines, "\n")
	if len(lines) != 2 || !strings.Contains(all, `verdict-terms {"from":"2024-03-02","terms":"standard-60"}`) || !strings.Contains(all, `verdict-outages {"id":"heron-07.o1"`) || strings.Contains(all, "Okafor") {
		t.Errorf("%s", all)
	}
}
