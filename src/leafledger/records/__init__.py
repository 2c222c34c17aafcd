"""What was done: jobs, digests, records, events and the content store."""
