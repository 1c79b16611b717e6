"""The demo club: invented waters, people, spots and three seasons of looks, all drawn from seeds.

Nothing here is real. The truth behind the looks is kept beside them, so that tests can ask how well the
inference recovers it.
"""
