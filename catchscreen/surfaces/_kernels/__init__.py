"""Compiled kernels of the surfaces stage: overlaps, coverage, planes, flow onto patches."""
