// Package weather brings rain, outdoor air and forecasts from a public weather
// service into the store, by the same door as what gateways send.
//
// It speaks the form of the United States National Weather Service's API: stations,
// their observations (with the raw METAR report), and the forecast of a grid cell.
// Units are read and never assumed, null is unknown and not zero, and windows of 1,
// 3 and 6 hours that overlap become intervals that do not (Resolve).
//
// A station stands for the weather at a property some way off: rain there is not
// rain at the house. So it speaks for a property only where that has no gauge of
// its own, and its distance is shown.
package weather
