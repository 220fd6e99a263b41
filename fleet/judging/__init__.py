"""How rules are judged: dates, tests held against a rule, changes of a set-up, the sentences.

Nothing here asks the database; `fleet.queries.duties` brings the facts and takes the verdicts.
"""
