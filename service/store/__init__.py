"""The only SQL: engine, tables (never handed out), entries, tree, views, tokens, migrations."""
