"""Stock: movements, sets, transfers and views of what is there."""
