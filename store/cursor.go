package store

import (
	"encoding/base64"
	"encoding/json"
)

// A cursor is the key of the last row of a page, opaque to whoever gives it
// back. It grants nothing: the scope is checked again on every page.

func encodeCursor(key any) string {
	b, err := json.Marshal(key)
	if err != nil { // keys are structs of numbers, strings and times
		panic("store: cursor: " + err.Error())
	}
	return base64.RawURLEncoding.EncodeToString(b)
}

// decodeCursor fills key; with "" it leaves it alone and says false.
func decodeCursor(cursor string, key any) (bool, error) {
	if cursor == "" {
		return false, nil
	}
	b, err := base64.RawURLEncoding.DecodeString(cursor)
	if err == nil {
		err = json.Unmarshal(b, key)
	}
	if err != nil {
		return false, invalid("cursor %.40q", cursor)
	}
	return true, nil
}
