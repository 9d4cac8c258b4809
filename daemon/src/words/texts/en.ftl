# What a person is told by mail, webhook, command and link, in English. A translation is a file of the same keys.
# The order of a letter is in words/letter. What could burn or hurt where no cause is named: common practice, no source.

danger-head = Can it burn or hurt?
danger-heat = Heat chars insulation and may start a fire if it goes on. No cause is named yet, so expect the worst.
danger-volts = Motors and electronics may be damaged while it lasts. No cause is named yet.
danger-amperes = Conductors and lugs may overheat and char if it lasts. No cause is named yet.
danger-meter = Not known: while this meter says nothing of use, nothing is seen of what it measures.
danger-part = Nothing was measured that burns or hurts, but until this is mended some of it may not be seen or told.
danger-other = Not known: no cause is named yet.

go-head = Go now?
go-urgent = Yes, go now.
go-high = Not at once: in this shift.
go-low = No: at the next visit.
go-journal = No: for the record only.

since-head = Since when?
since = Since { $since }, for { $long } by now.
since-began = Since { $since }.
since-often = { $times } times since { $since }, { $lengths } each.
since-worse = It is getting worse.

where-head = Where?
where-transformer = transformer { $name }
where-feeder = feeder { $name }
where-meter = meter { $name }
where-place-A = phase A
where-place-B = phase B
where-place-C = phase C
where-place-N = neutral
where-place-AB = lines A-B
where-place-BC = lines B-C
where-place-CA = lines C-A
where-at = At: { $place }.
where-fed = Now { $fed }.
where-lugs = On the lugs stands: { $marks }.

cause-head = Why?
cause-likely = Likely { $cause }.
cause-perhaps = Perhaps { $cause }.
cause-rests = Told before: { $cause }. Nothing of it shows now; that does not mean it is mended.
cause-proof = What shows it: { $number }.
cause-not = Ruled out: { $others }.
cause-not-before = not
cause-is-not = not { $family }: { $number }
cause-against = against { $value }
cause-none = No cause is named yet.

first-head = First

who-head = What hangs on it, whom to call
who-feeds = It feeds: { $feeds }.
who-shares = Shares by feeder: { $shares }.
who-call = Call: { $call }.
who-spare = Spare: { $spare }.

caution-head = Caution

seen-button = I have seen it
seen-link = I have seen it: { $link }
seen-here = To say that you have seen it, on the box: kvarden acknowledge { $code } --by { $person }
someone = NAME

foot-case = Case { $code }
foot-next = Next reminder { $at }, unless somebody has said by then that he has seen it.
foot-no-next = No reminder follows.

why-reminder = A reminder: nobody has said yet that he has seen it.
why-next = You are told because nobody before you in the rota has answered.

picture-limit = limit { $limit }
picture-low-limit = low limit { $limit }
picture-since = since { $at }
picture-alt = { $what } from { $from } to { $to }, { $least } to { $most }.
picture-alt-limit = { $what } from { $from } to { $to }, { $least } to { $most }; limit { $limit }.

test-line = TEST { $site }: this is a test by { $by } at { $at }. Nothing is wrong.
test-body = Nobody has to go. If you can read this, messages of this site reach you in this way.

alive-line = { $site }: watching at { $at }. Open alerts: { $open }. Next sign of life by { $by }.
alive-body = Nobody has to go for this message. If the next one does not come in time, the program, its machine or the way to you does not work: look after it, for faults are not told then.

page-title = Alert { $code }
page-ask = Press the button to say that you have seen it and look after it. Reminders then stop; the alert stays open until it is over.
page-for = This link is for { $person }.
page-done = Thank you, { $person }. You have it since { $at }.
page-yours = You have it already, { $person }, since { $at }.
page-taken = { $who } has it since { $at }. Call before two people go different ways.
page-seen = Somebody has said before that it is seen, or nothing is left to say so of.
page-over = It is over: closed at { $at }. There is nothing left to acknowledge.
page-returned = It no longer holds by itself.
page-merged = It is one fault with alert { $code } and told there from then on. The button is for both.
page-old = This link is older than it may be: it held until { $until }. Use the link of a newer message, or call.
page-unknown-title = Link not known
page-unknown = This link is not known here: a part of it may be missing, or the alert is so old that nothing is kept of it. Open it from the message itself, or call.
page-trouble-title = Not kept
page-trouble = It could not be noted just now. Try again in a minute, or call.
page-wrong-title = Not possible
page-wrong = This address takes no such request.

decimal-sign = .
unit-degrees = deg
from-to = { $from } to { $to }
weekday-1 = Mon
weekday-2 = Tue
weekday-3 = Wed
weekday-4 = Thu
weekday-5 = Fri
weekday-6 = Sat
weekday-7 = Sun
month-1 = Jan
month-2 = Feb
month-3 = Mar
month-4 = Apr
month-5 = May
month-6 = Jun
month-7 = Jul
month-8 = Aug
month-9 = Sep
month-10 = Oct
month-11 = Nov
month-12 = Dec
day-of-year = { $weekday } { $day } { $month }

# The one line for a phone. Its beginning stands alone: short words.
line-urgent = URGENT
line-high = HIGH
line-low = LOW
line-journal = JOURNAL
line-rate-of = rate of { $what }
line-supply = supply
line-meter = meter
name-order = { $what } order { $order }
name-at = at { $name }
not-known = not known
not-measured = not measured
line-since = { $what } since { $since }
line-since-when = since { $when }
line-absent = { $what } gives no value since { $since }, nothing is judged by it
line-nameplate = { $what } { $value } does not fit the nameplate (limit { $limit }) since { $since }; the limits of this meter wait for values that fit
line-rises = { $what } rises by { $now } (limit { $limit }) since { $since }
line-falls = { $what } falls by { $now } (limit { $limit }) since { $since }
line-rate-over = { $limit } over { $over }
line-limit = limit { $limit }
line-low-limit = low limit { $limit }
line-mean-of = mean of { $over }, { $limit }
line-up-to = up to { $amount }
line-down-to = down to { $amount }
line-was = was { $worst }
line-times = { $times } times, { $lengths } each
line-times-since = { $times } times since { $first }, { $lengths } each
line-once = once at { $first }, for { $lengths }
line-at = at: { $place }
line-likely = Likely { $cause }
line-perhaps = Perhaps { $cause }
line-gone = { $what } no longer watched: removed from the configuration
line-closed = { $over }, closed at { $at }
line-cooler = { $topic } cooler now{ $since }, the fault may remain
line-within-latched = { $topic } back within limits{ $since }, the fault may remain
line-not-again-after = { $topic } not seen again after { $latest }
line-not-again = { $topic } not seen again
line-values-again = { $topic } gives values again{ $since }
line-fits = { $topic } fits the nameplate{ $since }
line-within = { $topic } back within limits{ $since }
line-no-longer-fed = no longer { $fed }{ $since }
line-shows-no-more = { $topic } no longer shows{ $since }
line-wants-acknowledging = still to be acknowledged
line-wants-both = to be acknowledged and released
line-wants-releasing = to be released with a note
line-worse = told now because it got worse or came back
line-milder = milder than before, not over
line-acknowledged = acknowledged by { $person }
line-shelved = shelved by { $person } until { $until }: no messages, recording goes on
line-unshelved = told again: no longer shelved or out of service
line-out-of-service = taken out of service by { $person }: no messages, recording goes on
line-instead = told now instead of what was told before of this meter
line-says-nothing = this says nothing about the fault
line-resting-connection = { $cause }: cooler because the load fell, the fault remains
line-resting = { $cause }: nothing of it shows now, the fault may remain
line-released = { $topic } closed at { $at } by { $person }: { $note }
line-merged = { $topic } is one fault with alert { $code } and told there from now on; nothing is over
line-explained = told now because its cause is known
line-cause-over = { $cause }, told before as the cause, no longer shows

fed-by = fed by { $name } now
fed-by-several = fed by more than one now
fed-by-nothing = fed by nothing now, every way is open
fed-not-known = not known what feeds it now
fed-normally = normally by { $name }
fed-feeder = { $feeder } is { $fed }
fed-feeder-not-known = { $feeder }: { $fed }

listed-above = above limit { $level }
listed-below = below low limit { $level }
listed-comes-and-goes = comes and goes
listed-absent = gives no value
listed-nameplate = does not fit the nameplate
listed-broken = does not work

pattern-once = once since { $first }, { $lengths } each
pattern-every = about every { $every }
pattern-hours = mostly { $from }-{ $to } h
pattern-days = mostly on { $days }
pattern-two-days = { $one } and { $other }
pattern-day-1 = Mondays
pattern-day-2 = Tuesdays
pattern-day-3 = Wednesdays
pattern-day-4 = Thursdays
pattern-day-5 = Fridays
pattern-day-6 = Saturdays
pattern-day-7 = Sundays
pattern-growing = growing: { $latest } in the latest day, { $before } in the day before
pattern-not-growing = not growing: { $latest } in the latest day, { $before } in the day before

share-not-metered = not metered
lack-largest = the largest
check-more = and { $count } more
others-one = And 1 more alert: { $named }
others-some = And { $count } more alerts: { $named }
others-rest = ... and { $count } that `kvarden status` shows

plot-each-reading = each reading
plot-worst-of-minute = worst of each minute

line-flood = alarm flood
line-work = planned work
line-ended = { $topic } ended{ $since }
line-by-itself-no-more = { $topic } no longer told by itself since { $at }
line-chatters = rises again and again: held down until it is calm
line-calm = calm again, and it stands
line-work-over-stands = told now: planned work has ended and it stands
line-work-begun = planned work has begun: nothing more of it is told until that ends
line-flood-over-stands = told now: the alarm flood is over and it stands
line-supply-lost = it follows from the loss of the supply above
flood-stands = alarm flood, { $count } alarms since { $since }, the first: { $first }
flood-root = likely root: { $cause }
flood-held = other alarms are held back except urgent ones, see kvarden status
flood-over = alarm flood over, { $count } alarms since { $since }; { $still }
flood-none-open = no other alert is open
flood-one-open = 1 other alert is still open
flood-some-open = { $count } other alerts are still open, see kvarden status
