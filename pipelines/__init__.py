"""Everything that touches the world: fleet folder, logger files, ledger, command line, schedule, outbox."""
