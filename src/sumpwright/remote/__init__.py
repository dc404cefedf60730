"""The yard of a running server, offered to the shell as if it were a file.

Jobs, machines and files are asked for one by one; the log of a job is folded here, by the
same rules as on the server. What needs the whole yard (what is due, what it costs) is worked
out on a copy of the books that is fetched once. Whatever is kept goes through the server.
"""
