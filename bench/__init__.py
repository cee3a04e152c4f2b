"""The bench: line arithmetic, wire formats, framing, client, ports, maps and captures."""
