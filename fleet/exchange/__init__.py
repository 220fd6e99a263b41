"""All records of one operator as one ZIP, and back into an empty instance.

`tables` says which models go along and which do not, `plain` turns rows into lines and back, `form`
is the shape of the archive. `gather` and `pack` make one; `opening` and `reading` hold one against
everything that can be wrong with it, and `storing` takes it in.
"""
