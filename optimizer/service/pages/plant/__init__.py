"""The page of the plant: the site file as a form, and the first visit."""
