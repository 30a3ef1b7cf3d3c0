package site

func readLimits(m *mapping) Limits { return Limits{} }
