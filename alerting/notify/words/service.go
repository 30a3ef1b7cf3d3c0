package words

import (
	"fmt"

	"underkeep/store/visit"
)

// taskWords name what comes due by the service plan.
var taskWords = map[Lang]map[visit.Task]string{
	English: {
		visit.TaskFilter: "filter of the dehumidifier", visit.TaskPumpTest: "test of the pump",
		visit.TaskSensorCheck: "check of the sensors", visit.TaskUnproven: "pump not proven for 90 days, test it",
		visit.TaskService: "service visit that the warranty asks for",
	},
	Spanish: {
		visit.TaskFilter: "filtro del deshumidificador", visit.TaskPumpTest: "prueba de la bomba",
		visit.TaskSensorCheck: "comprobación de los sensores", visit.TaskUnproven: "bomba sin probar desde hace 90 días, pruébela",
		visit.TaskService: "visita de mantenimiento que pide la garantía",
	},
}

// ServiceLine says what is due at a house and when, in one line of the
// manager's week.
func ServiceLine(l Lang, house string, d visit.Due) string {
	when := map[Lang][2]string{English: {"%d days overdue", "due in %d days"}, Spanish: {"%d días de retraso", "vence en %d días"}}[l]
	form, days := when[1], d.Days
	if d.Overdue() {
		form, days = when[0], -d.Days
	}
	return fmt.Sprintf("%s: %s, "+form, house, taskWords[l][d.Task], days)
}
