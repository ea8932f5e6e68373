"""Trials of the store: programs ended at any moment, images torn or cut, bytes flipped, disks full.

Each trial says what it tried and what came of it. A quick run holds what is done in seconds, the whole suite a seeded
sample of each; ``--tries N`` makes so many, and ``--hours H`` goes on with new seeds for that long.
"""
