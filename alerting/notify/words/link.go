package words

import (
	"fmt"

	"underkeep/store/site"
)

// LinkPage is what the pages behind links in messages say, in one language.
type LinkPage struct {
	Lang Lang

	SeenTitle, SeenWhat, SeenButton string
	SeenThanks, SeenDone            string
	SeenBefore, SeenUsed            string

	StopTitle, StopWhat, stopButton, stopDone       string
	ResumeTitle, resumeWhat, ResumeButton, resumeOK string

	InvalidTitle, InvalidText string

	CautionLabel, Foot, Skip, FirstPage string
	over, acknowledged                  string
}

// Link is what the pages behind links say to a reader.
func Link(l Lang) LinkPage {
	if l == Spanish {
		return linkSpanish
	}
	return linkEnglish
}

// StopButton ends messages to an address.
func (p LinkPage) StopButton(address string) string { return fmt.Sprintf(p.stopButton, address) }

// StopDone says that no more messages go to an address.
func (p LinkPage) StopDone(address string) string { return fmt.Sprintf(p.stopDone, address) }

// ResumeWhat says that none go there, and what the button does.
func (p LinkPage) ResumeWhat(address string) string { return fmt.Sprintf(p.resumeWhat, address) }

// ResumeDone says that messages go to an address again.
func (p LinkPage) ResumeDone(address string) string { return fmt.Sprintf(p.resumeOK, address) }

// Alarm is one line about an alarm: over, acknowledged by somebody, or neither.
func (p LinkPage) Alarm(c site.Condition, over bool, by string) string {
	title := For(p.Lang, c).Title
	switch {
	case over:
		return title + " (" + p.over + ")"
	case by != "":
		return title + " (" + fmt.Sprintf(p.acknowledged, Line(by)) + ")"
	}
	return title
}

// Caution of the first alarm that has one of its own, by its condition or its
// likeliest cause; else the one that every message has.
func (p LinkPage) Caution(alarms []Alarm) string {
	m := Message{Reader: Reader{Lang: p.Lang}, Alarms: alarms}
	return m.cautions()[0]
}

var linkEnglish = LinkPage{Lang: English,
	SeenTitle: "Say that you have seen it", SeenWhat: "Others are then not called about it. It does not mend anything.", SeenButton: "I have seen this",
	SeenThanks: "Thank you", SeenDone: "It is noted that you have seen this.",
	SeenBefore: "Noted before", SeenUsed: "This link was used before. Nothing more is needed.",
	StopTitle: "No more messages", stopButton: "No more messages to %s", stopDone: "No more messages go to %s.",
	StopWhat:    "No message will go to this address any more, not even about water under the house. You can take that back on this page, or ask your contractor.",
	ResumeTitle: "Messages are stopped", resumeWhat: "No messages go to %s, not even about water under the house.",
	ResumeButton: "Send me messages again", resumeOK: "Messages go to %s again.",
	InvalidTitle: "Link not valid", InvalidText: "This link is too old, or it was not copied whole. Open it from the message again, or sign in.",
	CautionLabel: "Caution", Skip: "To the content", FirstPage: "To the first page", over: "over", acknowledged: "acknowledged by %s",
	Foot: "Underkeep is no life-safety system. If water meets electricity, or you smell gas, stay out and call for help.",
}

var linkSpanish = LinkPage{Lang: Spanish,
	SeenTitle: "Diga que lo ha visto", SeenWhat: "Así no se llama a otros por ello. No arregla nada.", SeenButton: "Lo he visto",
	SeenThanks: "Gracias", SeenDone: "Queda anotado que lo ha visto.",
	SeenBefore: "Ya estaba anotado", SeenUsed: "Este enlace ya se usó. No hace falta nada más.",
	StopTitle: "No más mensajes", stopButton: "No enviar más mensajes a %s", stopDone: "Ya no se envían mensajes a %s.",
	StopWhat:    "A esta dirección no llegará ningún mensaje más, tampoco si hay agua bajo la casa. Puede cambiarlo en esta página o pedírselo a su contratista.",
	ResumeTitle: "Los mensajes están parados", resumeWhat: "A %s no se envía ningún mensaje, tampoco si hay agua bajo la casa.",
	ResumeButton: "Envíenme mensajes de nuevo", resumeOK: "Se envían de nuevo mensajes a %s.",
	InvalidTitle: "Enlace no válido", InvalidText: "Este enlace es demasiado antiguo o no se copió entero. Ábralo otra vez desde el mensaje o inicie sesión.",
	CautionLabel: "Precaución", Skip: "Al contenido", FirstPage: "A la primera página", over: "ha terminado", acknowledged: "visto por %s",
	Foot: "Underkeep no es un sistema para proteger la vida. Si el agua llega a la electricidad o huele a gas, quédese fuera y pida ayuda.",
}
