"""Register maps that ship with the package (all invented)."""
