package site_test

import (
	"os"
	"testing"

	"underkeep/store/site"
)

func BenchmarkParseProperty(b *testing.B) {
	data, err := os.ReadFile("testdata/full.yaml")
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := site.ParseProperty(data, "full.yaml"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFormatProperty(b *testing.B) {
	data, err := os.ReadFile("testdata/full.yaml")
	if err != nil {
		b.Fatal(err)
	}
	p, err := site.ParseProperty(data, "full.yaml")
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		site.FormatProperty(p)
	}
}
