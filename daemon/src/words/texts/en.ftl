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
since-most = At its worst so far: { $peak }.

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

cause-head = Why?
cause-likely = Likely { $cause }.
cause-perhaps = Perhaps { $cause }.
cause-rests = Told before: { $cause }. Nothing of it shows now; that does not mean it is mended.
cause-proof = What shows it: { $number }.
cause-not = Ruled out: { $others }.
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
