"""The generator of Ambrel Vale, the invented demonstration district: from one seed to files.

It knows nothing of catchscreen, so that what it asserts about the ground is a second opinion.
"""
