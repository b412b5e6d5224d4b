"""Benchmarks, run by hand."""

import qc  # noqa: F401  before numpy, whose linear algebra then keeps to one thread, as in a check
