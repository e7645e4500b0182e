// Reads a table with a program that is not ours and prints what it is, as JSON:
// node read.js hyparquet|duckdb FILE
import {asyncBufferFromFile, parquetMetadataAsync, parquetReadObjects, parquetSchema} from 'hyparquet'
import {compressors} from 'hyparquet-compressors'

const [reader, path] = process.argv.slice(2)
const plain = (_, v) => typeof v === 'bigint' ? v.toString()
  : v === Infinity ? 'inf' : v === -Infinity ? '-inf' : v
const print = (o) => console.log(JSON.stringify(o, plain))

async function hyparquet() {
  const file = await asyncBufferFromFile(path)
  const metadata = await parquetMetadataAsync(file)
  const columns = parquetSchema(metadata).children.map(({element: e}) => ({
    name: e.name,
    type: e.logical_type?.type === 'TIMESTAMP'
      ? `timestamp ${e.logical_type.unit} ${e.logical_type.isAdjustedToUTC ? 'UTC' : 'local'}` : e.type,
  }))
  const codecs = new Set(metadata.row_groups.flatMap((g) => g.columns.map((c) => c.meta_data.codec)))
  // The timestamps as they stand: a Date has no nanoseconds.
  const parsers = {timestampFromNanoseconds: (n) => n}
  const rows = await parquetReadObjects({file, compressors, parsers})
  print({columns, codecs: [...codecs], groups: metadata.row_groups.length, count: rows.length, first: rows[0], last: rows.at(-1)})
}

async function duckdb() {
  const {DuckDBInstance} = await import('@duckdb/node-api')
  const db = await (await DuckDBInstance.create(':memory:')).connect()
  const ask = async (q) => (await db.runAndReadAll(q)).getRowObjectsJson()
  await ask(`SET TimeZone = 'UTC'`)
  const from = `'${path.replaceAll("'", "''")}'`
  const columns = (await ask(`DESCRIBE SELECT * FROM ${from}`)).map((c) => ({name: c.column_name, type: c.column_type}))
  const numbers = columns.filter((c) => c.type === 'DOUBLE').map((c) => `sum("${c.name}") FILTER (isfinite("${c.name}")) AS "${c.name}"`)
  print({
    columns, count: Number((await ask(`SELECT count(*)::VARCHAR AS n FROM ${from}`))[0].n),
    span: (await ask(`SELECT min(time)::VARCHAR AS a, max(time)::VARCHAR AS b FROM ${from}`))[0],
    sums: numbers.length ? (await ask(`SELECT ${numbers.join(', ')} FROM ${from}`))[0] : {},
  })
}

await {hyparquet, duckdb}[reader]()
