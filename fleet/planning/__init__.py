"""Return visits: a problem as plain data, tours that solve it, and why each stop is where it is.

Pure: no Django, no clock, no settings. `problem` says what is asked, `solve` finds tours, `explain`
puts them into words, `document` turns them into canonical JSON and back.
"""
