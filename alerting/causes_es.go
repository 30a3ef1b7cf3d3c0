package alerting

// adviceSpanish is adviceTable in Spanish, in the same order of columns.
// A test holds the two tables to the same causes.
var adviceSpanish = []Advice{
	{causeDehumidifierStopped, "El deshumidificador se ha parado.", "Su interruptor, su depósito o flotador, su manguera de condensado y su pantalla.", "Manguera de condensado, probador de enchufes, deshumidificador de repuesto.", precauciónCorriente},
	{causeDehumidifierPower, "El deshumidificador no tiene corriente.", "El enchufe con protección diferencial y el interruptor de su circuito.", "Probador de enchufes, enchufe diferencial de repuesto.", precauciónCorriente},
	{causeDehumidifierFan, "El ventilador del deshumidificador funciona, su compresor no.", "Hielo en el serpentín, filtro tapado, temperatura del aire bajo la casa.", "Filtro, termómetro, deshumidificador de repuesto.", precauciónCorriente},
	{causeDehumidifierWeak, "El deshumidificador funciona todo el tiempo y no seca el aire.", "Filtro y serpentín, agua que sale de la manguera y, después, el circuito sellado.", "Filtro, jarra medidora, deshumidificador de repuesto.", precauciónCorriente},
	{causeLoad, "Entra más humedad de la que el deshumidificador puede sacar.", "Juntas de la lámina, rejillas cerradas, trampilla, agua estancada.", "Cinta para juntas, espuma, medidor de humedad.", precauciónEspacio},
	{causeSetPoint, "El deshumidificador funciona, pero su ajuste es demasiado alto.", "Su valor de ajuste.", "Nada especial.", precauciónMínima},
	{causeOutdoorAir, "Entra aire de fuera.", "Trampilla, rejillas, fugas de conductos, lámina junto a la pared.", "Espuma, cinta para juntas, junta de trampilla, lápiz de humo.", precauciónEspacio},
	{causeMoistureSource, "Algo aporta humedad al espacio.", "Manchas húmedas en la lámina, el drenaje, el conducto de la secadora, las tuberías.", "Medidor de humedad, linterna, cinta para juntas.", precauciónEspacio},
	{causeCooling, "El aire se ha enfriado; no hay más agua en él.", "Si fuga un conducto de aire acondicionado o ha cambiado el tiempo.", "Termómetro, cinta de aluminio.", precauciónMínima},
	{causeLocal, "Está húmedo en un solo lugar.", "Lámina, pared y tuberías junto a este sensor.", "Medidor de humedad, cinta para juntas.", precauciónEspacio},
	{causeColdSpot, "Este rincón está más frío que el resto.", "El aislamiento de la pared y los conductos que fugan allí.", "Aislamiento, cinta de aluminio.", precauciónMínima},
	{causeTooDry, "El aire está más seco de lo que conviene a la madera.", "El valor de ajuste del deshumidificador.", "Nada especial.", precauciónMínima},
	{causeColdSurface, "La superficie está tan fría que la humedad se deposita en ella.", "Aislamiento y barrera de vapor del conducto o tubo, temperatura del aire de impulsión.", "Aislamiento para tubos o conductos, cinta de aluminio.", precauciónMínima},
	{causeColdAir, "Llega aire frío al espacio.", "Trampilla, rejillas, aislamiento de la pared, tubos en el borde.", "Espuma, junta de trampilla, aislamiento para tubos.", precauciónEspacio},
	{causeLeak, "Entra agua de una fuga en el espacio.", "El lugar del sensor mojado, los tubos encima, el contador de agua con todos los grifos cerrados.", "Juego para reparar tubos, aspiradora de agua, toallas.", precauciónAgua},
	{causeStandingWater, "Hay agua estancada en el espacio.", "Desde un lugar seco: ¿funciona la bomba?, ¿tiene corriente su enchufe?", "Bomba de repuesto, manguera, probador de diferenciales.", precauciónAgua},
	{causeGroundWater, "Entra agua del suelo.", "Drenaje, pozo, canalones y bajantes de arriba.", "Bomba de repuesto, manguera, cinta para juntas.", precauciónAgua},
	{causePlumbing, "Hay una fuga en una tubería.", "El contador de agua con todos los grifos cerrados; los tubos encima del lugar mojado.", "Juego para reparar tubos, aspiradora de agua.", precauciónAgua},
	{causeSpring, "El agua del suelo está alta sin que haya llovido.", "Zanjas vecinas, nivel freático, salida del drenaje.", "Manguera, bomba de repuesto.", precauciónAgua},
	{causeIrrigation, "El agua viene y va como la de un aspersor.", "Horarios de riego y aspersores rotos cerca de la pared.", "Nada especial.", precauciónMínima},
	{causeSnowMelt, "La nieve se está derritiendo.", "Bajantes y montones de nieve junto a la pared.", "Pala, alargador de bajante.", precauciónMínima},
	{causeInflow, "Entra mucha agua de golpe.", "Bajantes y pendiente del terreno; si la bomba da abasto.", "Bomba de repuesto, alargador de bajante.", precauciónAgua},
	{causeOverCapacity, "Entra más agua de la que la bomba puede sacar.", "Desde un lugar seco: ¿sale el agua libremente por la descarga?", "Segunda bomba, manguera, generador.", precauciónAgua},
	{causeCheckValve, "El agua vuelve por el tubo de descarga.", "Desenchufar después de un ciclo y mirar si el nivel sube.", "Válvula de retención, abrazaderas, destornillador.", precauciónAgua},
	{causeFloatNarrow, "El flotador conmuta en un recorrido demasiado corto.", "Cable o varilla del flotador y lo que toque.", "Interruptor de flotador, bridas.", precauciónAgua},
	{causeFloatStuck, "El flotador está atascado y la bomba no para.", "Flotador contra la pared o el cable del pozo.", "Interruptor de flotador, bomba de repuesto.", precauciónAgua},
	{causeBlocked, "El agua no sale como debería.", "Salida de la descarga, extremo helado o enterrado, válvula de retención, entrada de la bomba.", "Sonda de desagüe, válvula de retención, bomba de repuesto.", precauciónAgua},
	{causeImpeller, "La bomba está gastada.", "Tiempo de vaciado con un cubo de agua; rejilla de entrada.", "Bomba de repuesto, cubo.", precauciónAgua},
	{causePumpDead, "La bomba no arranca aunque debería haber agua.", "Enchufe, diferencial, interruptor; después el flotador, levantado a mano.", "Bomba de repuesto, interruptor de flotador, probador de enchufes.", precauciónAgua},
	{causePumpPower, "La bomba no tiene corriente.", "Su enchufe diferencial y su interruptor, desde un lugar seco.", "Probador de enchufes, enchufe diferencial de repuesto, bomba de batería.", precauciónAgua},
	{causeMains, "La casa no tiene corriente.", "Si los vecinos tienen corriente; el interruptor general.", "Generador si hay tormenta; nunca dentro ni bajo la casa.", precauciónCorriente},
	{causeFan, "El extractor no funciona.", "Su enchufe, su interruptor, algo en las aspas.", "Extractor de repuesto, probador de enchufes.", precauciónCorriente},
	{causeGatewayOffline, "No se puede alcanzar la pasarela de datos.", "Router y corriente de la pasarela; preguntar antes al dueño o al huésped.", "Pasarela de repuesto, fuente de alimentación.", precauciónMínima},
	{causeBattery, "Se está agotando la batería de un sensor.", "La batería del sensor.", "Baterías.", precauciónMínima},
	{causeSensorDead, "Un sensor ha dejado de informar.", "Su batería y su lugar; ¿se ha caído?", "Sensor de repuesto, baterías.", precauciónMínima},
	{causeSensor, "Puede que el sensor se equivoque.", "Comparar con un segundo instrumento.", "Segundo instrumento, juego de comprobación con sales.", precauciónMínima},
	{"sensor-stuck", "El sensor está en el extremo de su escala.", "Si está mojado; comparar con un segundo instrumento.", "Sensor de repuesto.", precauciónMínima},
	{"sensor-flat", "El sensor repite un solo valor.", "Comparar con un segundo instrumento.", "Sensor de repuesto.", precauciónMínima},
	{"sensor-jump", "El sensor dio un salto mientras nada más se movía.", "Su lugar y su cable.", "Sensor de repuesto.", precauciónMínima},
	{"sensor-disagrees", "El sensor no coincide con ninguno de los demás.", "Comprobación con sales a la temperatura medida.", "Juego de comprobación con sales, sensor de repuesto.", precauciónMínima},
	{"gauge-blocked", "El pluviómetro no ve la lluvia.", "Hojas o un nido en su embudo.", "Cepillo.", precauciónMínima},
	{causeClock, "El reloj de la pasarela de datos está mal.", "La fecha y la hora de la pasarela; apagarla y encenderla una vez y mirar si toma la hora de la red.", "Pasarela de repuesto.", precauciónMínima},
	{causeRefused, "El sensor envía valores o tiempos que no pueden ser.", "Su reloj y los ajustes de su programa.", "Sensor de repuesto.", precauciónMínima},
}

const (
	precauciónAgua      = "No pise agua estancada mientras haya corriente; que la corte en el interruptor general alguien que pueda hacerlo en seco."
	precauciónCorriente = "El trabajo eléctrico es de un electricista con licencia; un interruptor o diferencial disparado se rearma una vez, no dos."
	precauciónEspacio   = "Un espacio bajo la casa es un espacio confinado: avise a alguien, lleve luz y guantes, salga si huele a gas o a aguas negras."
	precauciónMoho      = "El moho visible en más de 1 m² (10 ft²), aproximadamente, y toda cuestión de radón son asunto de personas con licencia."
	precauciónMínima    = "Antes de entrar bajo la casa, avise a alguien y lleve una luz."
)

// AdviceIn is AdviceFor in a language, "en" or "es"; in any other it is English.
func AdviceIn(language, cause string) (Advice, bool) {
	if language == "es" {
		for _, a := range adviceSpanish {
			if a.Cause == cause {
				return a, true
			}
		}
	}
	return AdviceFor(cause)
}

var cautionsSpanish = map[string]string{
	cautionWater: precauciónAgua, cautionPower: precauciónCorriente, cautionSpace: precauciónEspacio,
	cautionMold: precauciónMoho, cautionNone: precauciónMínima,
}

// CautionIn is ConditionCaution in a language.
func CautionIn(language, caution string) string {
	if es, ok := cautionsSpanish[caution]; ok && language == "es" {
		return es
	}
	return caution
}

// DefaultCaution is the caution for whatever has none of its own.
const DefaultCaution = cautionNone
