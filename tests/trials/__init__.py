"""Trials of the store: programs ended at any moment, images torn or cut, bytes flipped, disks full.

Each trial says what it tried and what came of it. By default a short seeded sample runs; ``-m slow`` runs the counts
of the closing note, and ``--hours H`` goes on with new seeds for that long.
"""
