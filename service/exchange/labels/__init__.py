"""Labels: codes on packs, read from pictures, scanners and typing."""
