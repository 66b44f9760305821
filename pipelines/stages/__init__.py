"""
The stages of the job as plain functions that the command line and the scheduled flows share.

A stage reads, calls the science or the pages, and writes. It works nothing out itself.
"""
