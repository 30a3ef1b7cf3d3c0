package ingest

import "strings"

// TopicPrefix of every topic, with the version of the wire contract.
const TopicPrefix = "underkeep/1/"

// Kind of a message by its topic.
type Kind uint8

// The kinds of message. KindForeign is a topic that is not part of the contract.
const (
	KindForeign Kind = iota
	KindReadings
	KindPresence
)

// String names the kind as metrics do.
func (k Kind) String() string {
	switch k {
	case KindReadings:
		return "readings"
	case KindPresence:
		return "presence"
	}
	return "foreign"
}

// ParseTopic takes underkeep/1/<property>/<gateway>/readings|presence apart.
// Where kind is KindForeign, property and gateway are those that the topic
// begins with, or both empty.
func ParseTopic(topic string) (property, gateway string, kind Kind) {
	rest, ok := strings.CutPrefix(topic, TopicPrefix)
	if !ok {
		return "", "", KindForeign
	}
	property, rest, ok = strings.Cut(rest, "/")
	if !ok || !ValidName(property) {
		return "", "", KindForeign
	}
	gateway, rest, _ = strings.Cut(rest, "/")
	if !ValidName(gateway) {
		return "", "", KindForeign
	}
	switch rest {
	case "readings":
		return property, gateway, KindReadings
	case "presence":
		return property, gateway, KindPresence
	}
	return property, gateway, KindForeign
}

// ReadingsTopic is where a gateway publishes packs.
func ReadingsTopic(property, gateway string) string {
	return TopicPrefix + property + "/" + gateway + "/readings"
}

// PresenceTopic is where a gateway says, retained, that it is online, and its
// will that it is not.
func PresenceTopic(property, gateway string) string {
	return TopicPrefix + property + "/" + gateway + "/presence"
}

// maxName is the longest name of a property, gateway or point.
const maxName = 40

// ValidName says whether s can name a property, a gateway or a point:
// [a-z0-9][a-z0-9-]{0,39}.
func ValidName(s string) bool {
	if s == "" || len(s) > maxName || s[0] == '-' {
		return false
	}
	for i := 0; i < len(s); i++ {
		if c := s[i]; (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}
