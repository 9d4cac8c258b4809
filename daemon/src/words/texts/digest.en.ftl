# What the digest of a day says, and what its rooms share with `kvarden status`, in English. A translation is a file of the same keys.

digest-title = { $site }: digest of { $date }
digest-head = Digest of { $date }
digest-date = { $weekday } { $day } { $month } { $year }
digest-date-short = { $year }-{ $month }-{ $day }
digest-times = Times are local ({ $zone }). Figures are over what was measured, with the share beside.
digest-not-measured = Not measured: no meter gave a value on this day, so nothing could be judged.
digest-revised = Revision { $revision }, made { $at }: revised because { $late } came after the day was closed.
digest-late = { $minutes } min of { $meter }
digest-foot = Lines are means of ten minutes, the band reaches from the least to the largest value; hatched: not measured; a bar at the foot: measured in part. Limits are those in force on the day. Made by Kvarden { $version }, revision { $revision } of this day.

weekday-long-1 = Monday
weekday-long-2 = Tuesday
weekday-long-3 = Wednesday
weekday-long-4 = Thursday
weekday-long-5 = Friday
weekday-long-6 = Saturday
weekday-long-7 = Sunday
month-long-1 = January
month-long-2 = February
month-long-3 = March
month-long-4 = April
month-long-5 = May
month-long-6 = June
month-long-7 = July
month-long-8 = August
month-long-9 = September
month-long-10 = October
month-long-11 = November
month-long-12 = December

rank-urgent = urgent
rank-high = high
rank-low = low
rank-journal = journal

# Heads of the parts.
digest-in-short = In short
digest-needs = Needs a person at the end of the day
digest-needs-log = Needs a person when the log ends
digest-findings = Named causes, the most pressing first
digest-alarms = Alarms, the most pressing first
digest-recurrences = Came and went (short excursions past the first limit)
digest-figures = Figures
digest-works = Planned work
digest-asked = Alarms in figures, beside those of the standard
digest-events = Events without a fault
digest-counters = Counted on the day
digest-ageing = Ageing of insulation
digest-sharing = Side by side: how transformers shared
digest-quality = Distortion against IEEE 519
digest-states = States
digest-recordings = Recordings: readings kept around alarms
digest-watching = The watching itself
digest-not-judged = Not judged, and why
digest-caution = Before anyone acts on this
digest-cannot = What meters can't see
digest-unseen = Insulation resistance, partial discharge, turns ratio, moisture, and a hot lug that has no sensor. A quiet digest does not say that a transformer is sound.

# The day in short.
digest-end = at the end of the day
digest-end-log = then
digest-no-alarms = none
digest-held = Alarms that held at some time: { $alarms }.
digest-log-ends = The log ends at { $at }.
digest-named = Named causes: { $all }, of which { $named } still show { $end }.
digest-standing = Still standing { $end }: { $count }.
digest-waits = Waits for a person { $end }: { $seen } to be acknowledged, { $released } to be released.
digest-came-and-went = Short excursions that came and went: { $count }.
digest-flood = Alarm flood: { $count } alarms rose within ten minutes.
digest-least-measured = Least measured: { $what }, { $share } of the day.

# What needs a person, and alarms.
digest-needs-none = Nothing waited for a person.
digest-needs-more = and { $count } more, of lower priority or later
digest-to-acknowledge = to be acknowledged
digest-to-release = to be released with a note of what was found
digest-to-both = to be acknowledged and released
digest-need = { $deed }; since { $since }
digest-need-standing = { $deed }; still standing, since { $since }
digest-need-over = { $deed }; holds no more, since { $since }
digest-seen-standing = acknowledged, still standing; since { $since }
digest-only-standing = still standing; since { $since }
digest-still-standing = still standing
digest-at = at { $at }
digest-between = between { $first } and { $last }
digest-once-at = once, at { $at }
digest-times-first = { $times } times, first at { $at }
digest-times-when = { $times } times, { $when }
digest-once-for = once, for { $lengths }
digest-held-for = held { $long }
digest-chattering = chattering ({ $count } or more in a minute)
digest-not-seen = not seen on this day
digest-seen-once = seen once, at { $at }
digest-seen-times = seen { $times } times, { $when }
digest-peak = peak { $value }
digest-least = least { $value }
digest-mean = mean { $value }
digest-peak-at = peak { $value } at { $at }
digest-least-at = least { $value } at { $at }

# Named causes.
digest-cause = { $cause } (confidence { $sure } %)
digest-shows = since { $since }, still shows
digest-showed = from { $since } until nothing showed of it, { $ended }
digest-proof = Proof: { $all }.
digest-pattern = Pattern: { $all }.
digest-shares = Shares: { $all }.
digest-ruled-out = Ruled out: { $all }.
digest-next = Next: { $check }

# What was measured.
digest-meter-of = { $meter } (feeder { $feeder })
digest-across = { $name } across meters
digest-across-way = { $from } to { $to } across meters
digest-measured = measured { $share } of the day
digest-least-of = least { $what } ({ $share })
digest-known = known for { $share } of the day
digest-shortest = shows what lasted { $long } or longer; what was shorter may be missing
digest-column-quantity = Quantity
digest-column-mean = mean
digest-column-least = least
digest-column-peak = peak
digest-column-share = share
digest-state = { $what }: on for { $long }
digest-changed-once = changed once, { $when }
digest-changed = changed in { $count } minutes, { $when }
digest-unchanged = did not change
digest-on = on when last read
digest-off = off when last read
digest-part-missing = a part is missing
digest-room = The store holds { $used } of { $most } ({ $share }).

# Charts.
digest-hour = { $hour } h
digest-by-hour = Excursions by hour: { $hours }
digest-excursion = { $count } excursion (ticks above)
digest-excursions = { $count } excursions (ticks above)
digest-nothing-drawn = Nothing to draw: no values, or a day kept before charts were.
digest-chart = Chart over the day of { $meter }, { $names }
digest-chart-excursions = { $count } short excursions
digest-chart-not-measured = not measured for { $share } of the day
digest-gap = not measured
digest-ambient = amb

# What alarms asked of people.
asked-rose = { $rose } alarms of which people are told rose (up to { $day } a day can be followed); { $most } in the hour with the most (up to { $hour }).
asked-priorities = By priority: low { $low } %, high { $high } %, urgent { $urgent } % (about { $lows }, { $highs } and { $urgents } is usual).
asked-none-held = At no time any of them held.
asked-held = At least one held for { $long }.
asked-acknowledged = Acknowledged: { $count }, the middle one after { $middle }, the last after { $longest }; { $rest } not.
asked-none-acknowledged = None of { $count } that want it was acknowledged.
asked-flood = In flood for { $long }, { $share } % of the time (below { $aim } % is the aim).
asked-stale = Standing for more than a day: { $what }, since { $since }.
asked-stale-more = And { $count } more stand for more than a day.
asked-chattering = Rose three times or more within a minute: { $what }.
asked-chattering-more = And { $count } more rose three times or more within a minute.
work-of-day = { $on } from { $from } until { $until }, { $person }: { $why }.
work-of-day-open = { $on } from { $from } not ended, { $person }: { $why }.
work-site = the site

# How insulation ages.
ageing-line = { $name }, insulation{ $class }: { $said }.
ageing-class = class { $class }
ageing-upgraded = thermally upgraded paper
ageing-plain = plain paper
ageing-on-the-day = on the day
ageing-today = today
ageing-aged = aged { $when } as in { $hours } h at its rated hot spot
ageing-part = with { $share } % of it known
ageing-untold = how much it aged { $when } is not told: what that needs was known for { $share } % of it, at least { $least } % are wanted
ageing-since = since it is watched it aged as in { $hours } h, { $percent } % of 180,000 h
ageing-nearly-none = less than { $amount }
ageing-means = Ageing says how fast insulation ages, not when it fails.

# How transformers share that run in parallel.
list-and = { $first } and { $last }
list-or = { $first } or { $last }
sharing-day = { $names } side by side, most at { $at }: { $shared } ({ $known })
sharing-together = { $kva } kVA together
sharing-unit = { $name } { $kva } kVA of { $rated } ({ $share } %; by kVA and impedance { $due } %)
sharing-full = the first is full at { $kva } kVA together
sharing-without = without { $name }: { $left }
sharing-left = { $name } { $kva } kVA, { $percent } % of its rating

# Distortion against IEEE 519.
quality-secondary = { $name } secondary
quality-primary = { $name } primary
quality-coupling = the point of common coupling, where the tables bind
quality-inside = guidance inside a building: the tables bind at the point of common coupling
quality-ratio = currents by I_SC/I_L { $ratio }, from the impedance with a strong supply
quality-no-ratio = currents are not held against their table: I_SC is not known here
quality-no-verdict = { $side }, the week: no verdict, { $share } of its 10-minute values are there and { $least } are needed.
quality-verdict = { $what }, { $percent } % of { $over } are at or below: { $value }, allowed { $allowed } %: { $said } ({ $share } measured).
quality-week = the week's 10-minute values
quality-day = the day's 3-second values
quality-percent = { $value } %
quality-percent-of-demand = { $value } % of the demand current
quality-between = between { $least } and { $most }
quality-at-most = at most { $most }
quality-within = within
quality-beyond = beyond
quality-untold = not told, since only mean, least and largest of each minute are kept

# What is not judged. The reasons themselves stand with the names.
gap-of-limit = the limit of { $place }
gap-line = { $file } line { $line }
gap-places = { $first } to { $last }, { $count } of them
gap-condition = { $what } is above { $value }
