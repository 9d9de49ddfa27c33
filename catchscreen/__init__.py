"""Screen a district for places where impermeable ground could be opened or roofs greened."""
