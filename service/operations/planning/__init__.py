"""Planning: changes to cases, backups confirmed, and what if."""
