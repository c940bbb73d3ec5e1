"""HTTP in: parse, one call to the ledger, render."""
