package evidence

import (
	"strings"

	"github.com/klauspost/compress/zstd"
)

// frameWords is what frames have in common; packed against it a quiet day's
// frame takes a third of the room. It can never change: what was packed with it
// needs it to be read.
const frameWords = `underkeep sealed day 1
property -01
date 2026-01-01
zone America/New_York
from 2026-01-01T05:00:00Z
to 2026-01-02T05:00:00Z
seal-delay 259200
record amendment 1 unwitnessed
previous none
record day
previous 
description 1 sha256 
alarm 1 cleared humidity-high point north-bay priority medium raised 2026-01-01T00:00:00Z known 2026-01-01T00:00:00Z cleared - withdrawn - suppressed-by - causes - by evaluation why -
readings 24 point outdoors gateway main
time received battery[%EL]
readings 288 point supply-duct gateway main
time received surface-temp[Cel]
readings 96 point gauge gateway main
time received rain[mm]
time received wood-moisture[/100] mains dehumidifier-power[W] fan-power[W] water-level[mm] leak pump-on
readings 12 point sump gateway main
time received pump-run[s] high-water
readings 288 point north-bay gateway main
time received rh[%RH] air-temp[Cel]
contacts 0
deaf 0
quarantine 0
journal 0
end
`

const frameDictionary = 1

var frameEncoder = func() *zstd.Encoder {
	e, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(2), zstd.WithEncoderCRC(false), zstd.WithSingleSegment(true),
		zstd.WithEncoderLevel(zstd.SpeedDefault), zstd.WithWindowSize(1<<20), zstd.WithEncoderDictRaw(frameDictionary, []byte(frameWords)))
	if err != nil { // fixed options
		panic("evidence: zstd: " + err.Error())
	}
	return e
}()

var frameDecoder = func() *zstd.Decoder {
	d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(0), zstd.WithDecoderMaxMemory(MaxText),
		zstd.WithDecoderDictRaw(frameDictionary, []byte(strings.Clone(frameWords))))
	if err != nil { // fixed options
		panic("evidence: zstd: " + err.Error())
	}
	return d
}()
