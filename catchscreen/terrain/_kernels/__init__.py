"""Compiled loops of the terrain stage: arrays and scalars in, arrays out.

All of them work on *framed* arrays: the grid with one row or column more on each side, so that every cell of the grid
has eight neighbours in memory and no kernel asks where the border is. In a whole grid the frame holds no ground.
"""
