"""What could be built where: hosts, options, stores to try, sizes, quantities. Measures come in through ``registry``."""
