"""The generator of Ambrel Vale, the invented demonstration district: ground, town, layers, rain, and the figures it must meet.

It knows nothing of catchscreen, so that what it asserts about the ground is a second opinion.
"""
