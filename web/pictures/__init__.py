"""Pictures as SVG text, each with the same facts in sentences: pure functions of plain values."""
