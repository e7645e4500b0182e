package tables

import (
	"fmt"
	"io"
	"reflect"
	"time"

	"github.com/parquet-go/parquet-go"
)

// rowsInGroup bounds what is held in memory: about 200 bytes a row of 24 columns.
const rowsInGroup = 100_000

type parquetWriter struct {
	columns []Column
	w       *parquet.GenericWriter[any]
	row     parquet.Row
}

// NewParquet returns a writer of a Parquet file, compressed with zstd: rig, time (a
// timestamp in nanoseconds, UTC), then the columns, which may be null. Rows of one
// rig, in the order of time, belong together: so they pack well, and a reader can
// pass over what it does not want.
func NewParquet(w io.Writer, columns []Column) (Writer, error) {
	if err := checkColumns(columns); err != nil {
		return nil, err
	}
	return &parquetWriter{columns: columns, w: parquet.NewGenericWriter[any](w, schemaOf(columns),
		parquet.Compression(&parquet.Zstd), parquet.MaxRowsPerRowGroup(rowsInGroup),
		parquet.CreatedBy("hoistward", "", ""))}, nil
}

// schemaOf makes a struct of the columns: only so do they keep their order.
func schemaOf(columns []Column) *parquet.Schema {
	field := func(i int, kind any, tag string) reflect.StructField {
		return reflect.StructField{Name: fmt.Sprintf("C%d", i), Type: reflect.TypeOf(kind), Tag: reflect.StructTag(`parquet:"` + tag + `"`)}
	}
	fields := []reflect.StructField{
		field(0, "", "rig,dict"),
		field(1, time.Time{}, "time,timestamp(nanosecond)"),
	}
	for i, c := range columns {
		if c.Text {
			fields = append(fields, field(i+2, (*string)(nil), c.Heading+",optional,dict"))
		} else {
			fields = append(fields, field(i+2, (*float64)(nil), c.Heading+",optional"))
		}
	}
	return parquet.NewSchema("hoistward", parquet.SchemaOf(reflect.New(reflect.StructOf(fields)).Interface()))
}

func (p *parquetWriter) Write(r *Row) error {
	if err := r.check(p.columns); err != nil {
		return err
	}
	p.row = append(p.row[:0], parquet.ByteArrayValue([]byte(r.Rig)).Level(0, 0, 0), parquet.Int64Value(r.Time.UnixNano()).Level(0, 0, 1))
	for i, v := range r.Values {
		value := parquet.NullValue().Level(0, 0, i+2)
		if known(v) {
			switch x := v.(type) {
			case float64:
				value = parquet.DoubleValue(x).Level(0, 1, i+2)
			case string:
				value = parquet.ByteArrayValue([]byte(x)).Level(0, 1, i+2)
			}
		}
		p.row = append(p.row, value)
	}
	_, err := p.w.WriteRows([]parquet.Row{p.row})
	return err
}

func (p *parquetWriter) Close() error { return p.w.Close() }
