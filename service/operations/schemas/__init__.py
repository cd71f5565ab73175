"""What comes in and goes out, checked; apart from the rows, which do not validate."""
