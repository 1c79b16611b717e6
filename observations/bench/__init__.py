"""`manage.py bench`: figures beside their yardsticks, measured in the same run (DESIGN §8).

`federation.py` seeds, `timing.py` measures and tells, and each other module has figures of one kind: a
function from the seeded federation to a list of `Figure`. A new kind is added to the list in the command.
"""
