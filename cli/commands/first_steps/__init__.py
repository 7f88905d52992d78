"""The commands of the first hour: a demo, a site file to edit, the guide."""
