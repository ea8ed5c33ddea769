"""Printouts of the records: what stands on them, and the two forms they come in, HTML and PDF.

`content` says what is on each, from values of the model; `pages` and `pdf` draw any document in their form. Layout
and wording are our own and follow no authority's form: whether a printout counts as a maintenance record is for the
authority's rules and the owner to say.
"""
