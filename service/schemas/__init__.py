"""What goes in and out of the operations: checked bodies, answers, and the faults they name."""
