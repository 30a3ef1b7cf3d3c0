package air

import "testing"

// defaultMold is a model for tests that only need one.
var defaultMold = func() *MoldModel {
	m, err := NewMoldModel(DefaultMoldOptions())
	if err != nil {
		panic(err)
	}
	return m
}()

// model makes the model of o.
func model(t testing.TB, o MoldOptions) *MoldModel {
	t.Helper()
	m, err := NewMoldModel(o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}
