"""What answers, by subject: find what is yours (404), ask whether you may (403), check what came
in (400), call the service.
"""
