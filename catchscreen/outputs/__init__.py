"""Writing results: the only stage that makes files of them."""
