"""The only home of duckdb: schema, migrations, queries."""
