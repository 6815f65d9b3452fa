"""How well a history agrees with a ground truth.

The rules, in one place:

- Both sides are paired stall by stall, one to one (`dashboards.matching`): spells that overlap or lie within
  a tolerance (1 s for air, 5 s for support, 2 s for the plant, none for milkings) can be a pair.
- A find that meets a true event of any size is a match, so it is never false, even where only larger true
  events are counted (recall from 0.15 L, recall in bands).
- A second find on a true event already taken is a *repeat*. For air events repeats and false finds both count
  against precision and in ``false_per_100_milkings``; ``false`` and ``repeats`` tell them apart. For support
  ``false_per_100_milkings`` is the false ones alone: two pieces of one true stretch mislead nobody.
- The kind plays no part in pairing; the confusion of kinds is a figure of its own.
- What was found more than an hour before the truth's first row or after its last, or in a parlor the truth
  does not know, is left out and counted in the notes. A wash right after the last milking stays in.
- The exposure of a rate is the number of true milkings. Intervals are 95 %: score limits for shares, exact
  Poisson limits for rates; both take events for independent, so the truth is less certain still.
- A figure the data cannot carry is None, and the notes say which column or file was missing.
"""
