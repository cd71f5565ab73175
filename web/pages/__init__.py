"""Pages by noun: each asks an operation and fills a template."""
