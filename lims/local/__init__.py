"""Everything on one machine: database, queue, pages and worker, started and stopped by one command."""
