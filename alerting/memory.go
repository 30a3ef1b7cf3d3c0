package alerting

// forgetWhile drops what is old from the front of a list that is in order of
// time, in place.
func forgetWhile[S ~[]T, T any](list S, old func(T) bool) S {
	drop := 0
	for drop < len(list) && old(list[drop]) {
		drop++
	}
	if drop == 0 {
		return list
	}
	return append(list[:0], list[drop:]...)
}

// keepLast keeps the last n of a list, in place.
func keepLast[S ~[]T, T any](list S, n int) S {
	if len(list) <= n {
		return list
	}
	return append(list[:0], list[len(list)-n:]...)
}
