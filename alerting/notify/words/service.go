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

// visitWords name the kinds of visits to an owner.
var visitWords = map[Lang]map[visit.Kind]string{
	English: {
		visit.HandOver: "hand-over", visit.Service: "service visit", visit.Repair: "repair", visit.Inspection: "inspection",
		visit.SensorChecking: "check of the sensors", visit.PumpTesting: "test of the pump",
	},
	Spanish: {
		visit.HandOver: "entrega", visit.Service: "mantenimiento", visit.Repair: "reparación", visit.Inspection: "inspección",
		visit.SensorChecking: "comprobación de los sensores", visit.PumpTesting: "prueba de la bomba",
	},
}

// workWords name what was done at a visit.
var workWords = map[Lang]map[visit.Work]string{
	English: {
		visit.WorkFilter: "filter cleaned or changed", visit.WorkDrain: "drain and check valve looked at", visit.WorkLiner: "liner, seams and vents looked at",
		visit.WorkDehumidifier: "dehumidifier looked at", visit.WorkBattery: "sensor battery changed", visit.WorkSump: "basin cleaned, floats looked at",
	},
	Spanish: {
		visit.WorkFilter: "filtro limpiado o cambiado", visit.WorkDrain: "desagüe y válvula antirretorno revisados",
		visit.WorkLiner: "lámina, juntas y rejillas revisadas", visit.WorkDehumidifier: "deshumidificador revisado",
		visit.WorkBattery: "pila de sensor cambiada", visit.WorkSump: "pozo limpiado, flotadores revisados",
	},
}
