"""Tables, engine, queries and migrations: the only code that speaks SQL."""
