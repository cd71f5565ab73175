"""Orders, loans and call-offs: drafted, decided, sent, received, given back, paid for."""
