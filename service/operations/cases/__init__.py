"""Cases: their rows, plans and confirmations."""
