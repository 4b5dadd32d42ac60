// Package parquet writes captures as Apache Parquet, for whoever compares many
// of them in a notebook or with SQL.
//
// One file holds one capture, a row a sample in the order of the recording:
//
//   - The first column, "t", is a double, never null: the seconds from the
//     trigger sample, which is at 0. All channels of a capture are sampled at the
//     same instants. Where the interval changes within the record, so do the
//     steps of t; nothing is interpolated.
//   - A channel is one nullable column of doubles in the channel's unit, in the
//     order of the recording.
//   - A digital channel is a nullable boolean column for each bit that has a name
//     or is ever set, the lowest first, and one for bit 0 where there is none
//     such. Values that aren't words of bits stay doubles.
//   - A sample that wasn't read is null; what the drive itself sent as not a
//     number is NaN or an infinity.
//
// Columns are named after channels, bits "channel_bit", so that most queries need
// no quotes: every run of what is no letter, number or mark of any script becomes
// one "_", what is longer than 64 characters is cut, and a name that is taken
// already, whatever the case of its letters, gets "_2", "_3" and so on. A channel
// without a name is "channel_N", a bit "bit_N". The names as they were are in the
// metadata.
//
// The file's key-value metadata says what the samples are of. All values are
// text, times are in UTC as RFC 3339 has it, and what isn't known has no key:
//
//	faultkeep.version                "1", of this list and of the columns' rules
//	faultkeep.id                     the capture
//	faultkeep.origin                 "trace": sampled by faultkeep itself; none: the drive's recording
//	faultkeep.site, .drive, .title, .drive_type
//	faultkeep.fault_code             as the drive shows it
//	faultkeep.fault                  in words
//	faultkeep.trigger_time           best estimate
//	faultkeep.trigger_earliest, .trigger_latest  bounds by faultkeep's clock
//	faultkeep.trigger_uncertainty_s  half the width between these bounds
//	faultkeep.trigger_drive_time     by the drive's own clock
//	faultkeep.trigger_index          the row of the trigger, from 0
//	faultkeep.interval_s             the sample interval, the shortest where it changes
//	faultkeep.rates                  JSON, where it changes: [{"end":ROW,"interval_s":SECONDS}, …]
//	faultkeep.whole                  "true" or "false"
//	faultkeep.wholeness              in words, and of a part from when to when
//	faultkeep.why                    why it isn't whole
//	faultkeep.kept                   when it became durable
//	faultkeep.sha256                 over the SHA-256 of every part of the originals
//	faultkeep.columns                JSON, one a column after t: {"column", "channel", "unit", "role", "bit", "bit_name"}
//
// The original bytes, settings and all else that is known are in the JSON export.
package parquet

import (
	"context"
	"fmt"
	"io"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"

	"faultkeep/store/capture"
	"faultkeep/store/format"
)

// Encoder writes Parquet. The same capture gives the same bytes.
type Encoder struct {
	// Present tells for each sample of a channel whether it was read. It is
	// asked in ascending order of samples. nil: NaN means that it wasn't.
	Present func(channel int) func(sample int) bool
}

var _ format.Encoder = Encoder{}

// Name is "parquet".
func (Encoder) Name() string { return "parquet" }

const (
	groupRows = 1 << 16 // rows of a row group where columns are few
	groupSize = 1 << 22 // values of a row group: what is held in memory, compressed, until it is whole
	batchRows = 1 << 10 // rows that are handed to one column at once
	// maxColumns is far above what drives record; each takes some 30 kB while it is written.
	maxColumns = 10_000
	chunkSize  = 8 << 10 // bytes in which a column's memory grows
)

// Encode writes a capture as one .parquet file, a row group at a time, so that
// it needs little memory beside the samples. A capture without samples is a
// file without rows.
func (e Encoder) Encode(ctx context.Context, create func(extension string) (io.Writer, error), c capture.Capture, series []capture.Series) error {
	if err := check(c, series); err != nil {
		return err
	}
	columns := e.plan(c, series)
	if len(columns) > maxColumns {
		return fmt.Errorf("the capture becomes %d columns, Parquet is written with %d at most; export it as COMTRADE or CSV", len(columns), maxColumns)
	}
	facts, err := factsOf(c, columns)
	if err != nil {
		return err
	}
	to, err := create(".parquet")
	if err != nil {
		return err
	}
	// Data pages of version 1 and plain values are what every reader knows.
	options := []parquet.WriterOption{schemaOf(columns), parquet.Compression(&zstd.Codec{}), parquet.DataPageVersion(1),
		parquet.ColumnPageBuffers(parquet.NewChunkBufferPool(chunkSize)), parquet.CreatedBy("faultkeep", "", "")}
	for _, f := range facts {
		options = append(options, parquet.KeyValueMetadata(f.Name, f.Value))
	}
	out := parquet.NewGenericWriter[any](to, options...)
	rows := max(batchRows, min(groupRows, groupSize/len(columns)))
	batch := make([]parquet.Value, 0, batchRows)
	for begin := 0; begin < c.Timing.Samples; begin += rows {
		end := min(begin+rows, c.Timing.Samples)
		for i, to := range out.ColumnWriters() {
			if err := columns[i].write(ctx, to, batch, i, begin, end); err != nil {
				return err
			}
		}
		if err := out.Flush(); err != nil {
			return err
		}
	}
	return out.Close()
}

func check(c capture.Capture, series []capture.Series) error {
	if len(series) != len(c.Channels) {
		return fmt.Errorf("the capture has %d channels, but there are samples of %d", len(c.Channels), len(series))
	}
	for i, s := range series {
		if len(s) != c.Timing.Samples {
			return fmt.Errorf("channel %s has %d samples, the capture %d", c.Channels[i].Name, len(s), c.Timing.Samples)
		}
	}
	return nil
}

// write writes rows begin to end, without end, by way of an empty batch.
func (c *column) write(ctx context.Context, to *parquet.ColumnWriter, batch []parquet.Value, index, begin, end int) error {
	level := 1 // of what is there in a nullable column
	if !c.node.Optional() {
		level = 0
	}
	for i := begin; i < end; {
		if err := ctx.Err(); err != nil {
			return err
		}
		batch = batch[:0]
		for ; i < end && len(batch) < cap(batch); i++ {
			if v, there := c.at(i); there {
				batch = append(batch, v.Level(0, level, index))
			} else {
				batch = append(batch, parquet.NullValue().Level(0, 0, index))
			}
		}
		if _, err := to.WriteRowValues(batch); err != nil {
			return err
		}
	}
	return nil
}
