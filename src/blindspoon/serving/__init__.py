"""Who gets which cup, when, and under which code: a request and a random stream -> a plan."""
