package words

import (
	"strings"
	"testing"

	"underkeep/store/visit"
)

func TestServiceLinesInBothLanguages(t *testing.T) {
	t.Parallel()
	for _, l := range []Lang{English, Spanish} {
		for _, task := range []visit.Task{visit.TaskFilter, visit.TaskPumpTest, visit.TaskSensorCheck, visit.TaskUnproven, visit.TaskService} {
			if taskWords[l][task] == "" {
				t.Errorf("%s: no words for %s", l, task)
			}
		}
	}
	for _, l := range Langs() {
		for _, k := range visit.Kinds() {
			if visitWords[l][k] == "" {
				t.Errorf("%s: no words for a visit of kind %s", l, k)
			}
		}
		for _, w := range visit.Works() {
			if workWords[l][w] == "" {
				t.Errorf("%s: no words for work %s", l, w)
			}
		}
	}
	if got := ServiceLine(English, "7 Heron Lane", visit.Due{Task: visit.TaskFilter, Days: -3}); got != "7 Heron Lane: filter of the dehumidifier, 3 days overdue" {
		t.Error(got)
	}
	if got := ServiceLine(Spanish, "7 Heron Lane", visit.Due{Task: visit.TaskPumpTest, Days: 9}); !strings.HasSuffix(got, "prueba de la bomba, vence en 9 días") {
		t.Error(got)
	}
}
