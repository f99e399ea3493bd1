"""Odd profiles, one or two a layout, so that the fuzzer meets what the shipped ones do not use."""

COMMON = """
[columns]
time = ["t"]
event = ["e"]
floor = "f"
value = "v"
order = "o"
[time]
format = "iso"
[floors]
pattern = '(?P<floor>\\d+)'
"GF" = "G"
[[event]]
text = ["OPEN", "DOOR OPEN"]
signal = "open"
edge = "on"
[[event]]
pattern = '^SHUT ?(?P<floor>\\w+)?$'
signal = "open"
edge = "off"
[[event]]
pattern = '^SET (?P<old>\\S+) (?P<new>\\S+)$'
signal = "clock"
[[event]]
pattern = '^LEVEL (?P<value>\\S+)$'
signal = "level"
[[event]]
pattern = '^#'
ignore = true
[[event]]
pattern = '^N'
signal = "note"
edge = "mark"
"""
UPTIME = """
[columns]
time = ["t"]
event = ["e", "f"]
[time]
format = "uptime_s"
[[event]]
text = "ON"
signal = "power"
edge = "on"
[[event]]
pattern = '^NOW (?P<now>.*)$'
signal = "note"
edge = "mark"
"""

PROFILES = (
    'name = "d"\nlayout = "delimited"\nskip_lines = 1\n[delimited]\ndelimiter = ","\n'
    f'columns = ["t", "f", "e", "v", "o"]\ndecimal = ","\n{COMMON}',
    f'name = "u"\nlayout = "delimited"\n[delimited]\ndelimiter = "€"\n{UPTIME}',
    'name = "l"\nlayout = "lines"\n[lines]\nignore = ["^-+$"]\npattern = '
    "'^(?P<t>\\S+)(?: D(?P<f>\\w+))? (?P<e>[^=]*?)(?:=(?P<v>\\S*))?(?:#(?P<o>\\d+))?$'"
    f"\n{COMMON}",
    'name = "r"\nlayout = "lines"\n[lines]\npattern = '
    "'(?i)(?P<e>open|shut)(?=.*(?P<t>\\d\\d\\.\\d\\d\\. \\d\\d:\\d\\d))(?P<f>(\\w)\\4)?'\n"
    + UPTIME.replace("uptime_s", "%d.%m. %H:%M").replace("NOW (?P<now>.*)", "X"),
    'name = "s"\nlayout = "syslog"\n[columns]\ntime = ["stamp"]\nevent = ["app", "text"]\n'
    'floor = "door"\nchute = "host"\n[time]\nformat = "%b %d %H:%M:%S"\n'
    '[[event]]\npattern = \'OPEN\'\nsignal = "open"\nedge = "on"\n',
    'name = "j"\nlayout = "json"\n[json]\ncolumns = { t = "ts", f = "door.label", e = "e", '
    f'v = "a.b.c", o = "n1" }}\n{COMMON}',
    'name = "f"\nlayout = "fixed"\nencoding = "utf-16-le"\n[fixed]\ncolumns = [{ name = "t", '
    'start = 0, width = 19 }, { name = "f", start = 20, width = 3 }, { name = "e", start = 24, '
    'width = 9 }, { name = "v", start = 34, width = 4 }, { name = "o", start = 38, width = 9 }]'
    f"\n{COMMON}",
    'name = "a"\nlayout = "samples"\n[delimited]\ndelimiter = ";"\ndecimal = ","\n[[samples]]\n'
    'pattern = \'^D(?P<floor>\\w+)_O$\'\nsignal = "open"\non = ["1", "TRUE"]\n[[samples]]\n'
    'column = "B7"\nsignal = "press"\nedge = "mark"\nfloor = "7"\non = ["1"]\n[[samples]]\n'
    'column = "FILL"\nsignal = "level"\nnumber = true\n[columns]\ntime = ["d", "t"]\n'
    'chute = "c"\norder = "n"\n[time]\nformat = "%d.%m.%y %H:%M"\n',
    f'name = "x"\nlayout = "sheet"\n[sheet]\nsheet = "Log"\nheader_row = 1\n{UPTIME}',
)
