package series

import (
	"math"

	"github.com/golang/snappy"
	"google.golang.org/protobuf/encoding/protowire"
)

// Protocol is a version of Prometheus remote write.
type Protocol string

// Protocols (https://prometheus.io/docs/specs/prw/, "Prometheus Remote-Write 1.0 specification" and
// "2.0 specification [experimental]").
const (
	V1 Protocol = "1.0"
	V2 Protocol = "2.0"
)

// headers are what a request says of its body.
func (p Protocol) headers() (contentType, version string) {
	if p == V2 {
		return "application/x-protobuf;proto=io.prometheus.write.v2.Request", "2.0.0"
	}
	return "application/x-protobuf", "0.1.0"
}

// encode returns the body of a request: protobuf in snappy's block format.
func (p Protocol) encode(lines []*Line) []byte {
	if p == V2 {
		return snappy.Encode(nil, encodeV2(lines))
	}
	return snappy.Encode(nil, encodeV1(lines))
}

// Field numbers are those of prometheus.WriteRequest (types.proto, remote.proto) and of
// io.prometheus.write.v2.Request.
const (
	v1Timeseries = 1
	v2Symbols    = 4
	v2Timeseries = 5

	seriesLabels  = 1 // 2.0: references, packed
	seriesSamples = 2
	v2Metadata    = 5

	labelName, labelValue = 1, 2

	sampleValue, sampleTimestamp = 1, 2

	v2MetadataType        = 1
	v2Counter, v2Gauge    = 1, 2
	metricName, totalName = "__name__", "_total"
)

func encodeV1(lines []*Line) []byte {
	var out, series, inner []byte
	for _, l := range lines {
		if len(l.Samples) == 0 {
			continue
		}
		series = series[:0]
		for _, label := range l.Labels {
			inner = protowire.AppendTag(inner[:0], labelName, protowire.BytesType)
			inner = protowire.AppendString(inner, label.Name)
			inner = protowire.AppendTag(inner, labelValue, protowire.BytesType)
			inner = protowire.AppendString(inner, label.Value)
			series = protowire.AppendTag(series, seriesLabels, protowire.BytesType)
			series = protowire.AppendBytes(series, inner)
		}
		series = appendSamples(series, l.Samples)
		out = protowire.AppendTag(out, v1Timeseries, protowire.BytesType)
		out = protowire.AppendBytes(out, series)
	}
	return out
}

func appendSamples(to []byte, samples []Sample) []byte {
	var inner []byte
	for _, s := range samples {
		inner = protowire.AppendTag(inner[:0], sampleValue, protowire.Fixed64Type)
		inner = protowire.AppendFixed64(inner, math.Float64bits(s.Value))
		inner = protowire.AppendTag(inner, sampleTimestamp, protowire.VarintType)
		inner = protowire.AppendVarint(inner, uint64(s.AtMs))
		to = protowire.AppendTag(to, seriesSamples, protowire.BytesType)
		to = protowire.AppendBytes(to, inner)
	}
	return to
}

func encodeV2(lines []*Line) []byte {
	symbols := []string{""} // the first is empty by specification
	known := map[string]uint64{"": 0}
	ref := func(s string) uint64 {
		n, ok := known[s]
		if !ok {
			n = uint64(len(symbols))
			known[s] = n
			symbols = append(symbols, s)
		}
		return n
	}
	var body, series, inner []byte
	for _, l := range lines {
		if len(l.Samples) == 0 {
			continue
		}
		inner = inner[:0]
		kind := uint64(v2Gauge)
		for _, label := range l.Labels {
			inner = protowire.AppendVarint(inner, ref(label.Name))
			inner = protowire.AppendVarint(inner, ref(label.Value))
			if label.Name == metricName && len(label.Value) > len(totalName) &&
				label.Value[len(label.Value)-len(totalName):] == totalName {
				kind = v2Counter
			}
		}
		series = protowire.AppendTag(series[:0], seriesLabels, protowire.BytesType)
		series = protowire.AppendBytes(series, inner)
		series = appendSamples(series, l.Samples)
		inner = protowire.AppendTag(inner[:0], v2MetadataType, protowire.VarintType)
		inner = protowire.AppendVarint(inner, kind)
		series = protowire.AppendTag(series, v2Metadata, protowire.BytesType)
		series = protowire.AppendBytes(series, inner)
		body = protowire.AppendTag(body, v2Timeseries, protowire.BytesType)
		body = protowire.AppendBytes(body, series)
	}
	var out []byte
	for _, s := range symbols {
		out = protowire.AppendTag(out, v2Symbols, protowire.BytesType)
		out = protowire.AppendString(out, s)
	}
	return append(out, body...)
}
