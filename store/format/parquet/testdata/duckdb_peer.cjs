// Reads a Parquet file with DuckDB and prints what is in it as JSON. Usage:
// node duckdb_peer.cjs FILE [SQL…], where the SQL has FILE as the table "f".
// Doubles are printed as the bits they are, in 16 hexadecimal digits; all NaNs alike.
"use strict";
const { DuckDBInstance } = require("@duckdb/node-api");

const cell = new DataView(new ArrayBuffer(8));

function plain(v) {
  if (typeof v === "number") {
    cell.setFloat64(0, Number.isNaN(v) ? NaN : v); // of all NaNs the usual one
    return cell.getBigUint64(0).toString(16).padStart(16, "0");
  }
  return typeof v === "bigint" ? v.toString() : v;
}

async function main(file, queries) {
  const db = await (await DuckDBInstance.create(":memory:")).connect();
  const quoted = `'${file.replaceAll("'", "''")}'`;
  const ask = async (sql) => (await db.runAndReadAll(sql)).getRows();
  const text = (blob) => new TextDecoder("utf-8", { fatal: true }).decode(blob.bytes);
  await db.run("SET threads = 2");
  await db.run(`CREATE VIEW f AS SELECT * FROM read_parquet(${quoted})`);

  const read = await db.runAndReadAll("FROM f");
  const types = read.columnTypes().map(String);
  const columns = read.getColumns();
  console.log(JSON.stringify({
    columns: read.columnNames().map((name, i) => ({ name, type: types[i], values: (columns[i] ?? []).map(plain) })),
    facts: Object.fromEntries((await ask(`SELECT key, value FROM parquet_kv_metadata(${quoted})`)).map(([k, v]) => [text(k), text(v)])),
    schema: (await ask(`SELECT name, repetition_type FROM parquet_schema(${quoted}) OFFSET 1`)).map(([name, kind]) => `${name} ${kind}`),
    groups: (await ask(`SELECT row_group_num_rows FROM parquet_metadata(${quoted}) GROUP BY row_group_id, row_group_num_rows ORDER BY row_group_id`)).map(([n]) => Number(n)),
    compression: (await ask(`SELECT DISTINCT compression FROM parquet_metadata(${quoted})`)).map(([c]) => c),
    answers: await Promise.all(queries.map(async (q) => (await ask(q)).map((row) => row.map(plain)))),
  }));
  db.closeSync();
}

main(process.argv[2], process.argv.slice(3)).catch((e) => {
  console.error(e);
  process.exit(1);
});
