"""The command line: thin commands over `gateway.jobs`, `gateway.scanning` and `gateway.clearing`."""
