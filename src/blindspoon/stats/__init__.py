"""The procedures, on arrays alone: no trial, no file, no words.

In all of them

* ``score`` has the shape (n,), in points, one a serving, NaN where none was given, which then
  takes no part; so have the codes ``taster``, ``variant`` (positions in ``Trial.variants``) and
  ``session``, which count from 0;
* ``means`` has the shape (n_tasters, n_variants): each taster's mean score of each variant, in
  points, NaN where not scored;
* ``differences`` are variant minus control, in points;
* ``alpha`` is the chance of a false difference over all variants together: intervals are
  simultaneous at level 1 - alpha, those that show variants alike at 1 - 2 alpha;
* ``rng`` draws where not all ways can be gone through;
* where nothing can be told, a `NoResult` says why.
"""
