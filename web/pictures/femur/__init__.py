"""The femur with a construct in it, in millimetres first and then as SVG."""
