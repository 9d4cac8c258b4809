# Was Menschen per Mail, Webadresse, Befehl und Link erfahren, auf Deutsch. Dieselben Schlüssel wie in en.ftl.

danger-head = Kann es brennen oder jemanden verletzen?
danger-heat = Hitze verkohlt die Isolation und kann zünden, wenn sie anhält. Noch ist keine Ursache genannt: mit dem Schlimmsten rechnen.
danger-volts = Motoren und Elektronik können Schaden nehmen, solange es anhält. Noch ist keine Ursache genannt.
danger-amperes = Leiter und Klemmen können überhitzen und verkohlen, wenn es anhält. Noch ist keine Ursache genannt.
danger-meter = Nicht bekannt: Solange dieses Messgerät nichts Brauchbares liefert, ist von dem, was es misst, nichts zu sehen.
danger-part = Gemessen wurde nichts, was brennt oder verletzt. Bis dies behoben ist, wird manches davon aber weder gesehen noch gemeldet.
danger-other = Nicht bekannt: Noch ist keine Ursache genannt.

go-head = Jetzt hingehen?
go-urgent = Ja, jetzt hingehen.
go-high = Nicht sofort: in dieser Schicht.
go-low = Nein: beim nächsten Besuch.
go-journal = Nein: nur zur Kenntnis.

since-head = Seit wann?
since = Seit { $since }, bisher { $long } lang.
since-began = Seit { $since }.
since-often = { $times } Mal seit { $since }, je { $lengths }.
since-worse = Es wird schlimmer.

where-head = Wo?
where-transformer = Transformator { $name }
where-feeder = Abgang { $name }
where-meter = Messgerät { $name }
where-place-A = Phase A
where-place-B = Phase B
where-place-C = Phase C
where-place-N = Neutralleiter
where-place-AB = Außenleiter A-B
where-place-BC = Außenleiter B-C
where-place-CA = Außenleiter C-A
where-at = Ort: { $place }.
where-fed = Zurzeit { $fed }.
where-lugs = Auf den Klemmen steht: { $marks }.

cause-head = Warum?
cause-likely = Wahrscheinlich { $cause }.
cause-perhaps = Vielleicht { $cause }.
cause-rests = Vorher gemeldet: { $cause }. Davon zeigt sich jetzt nichts; das heißt nicht, dass es behoben ist.
cause-proof = Was dafür spricht: { $number }.
cause-not = Ausgeschlossen: { $others }.
cause-not-before = nicht
cause-is-not = nicht { $family }: { $number }
cause-against = gegenüber { $value }
cause-none = Noch ist keine Ursache genannt.

first-head = Zuerst

who-head = Was daran hängt, wen anrufen
who-feeds = Versorgt werden: { $feeds }.
who-shares = Anteile der Abgänge: { $shares }.
who-call = Anrufen: { $call }.
who-spare = Ersatz: { $spare }.

caution-head = Vorsicht

seen-button = Ich habe es gesehen
seen-link = Ich habe es gesehen: { $link }
seen-here = Um an der Maschine zu sagen, dass Sie es gesehen haben: kvarden acknowledge { $code } --by { $person }
someone = NAME

foot-case = Fall { $code }
foot-next = Nächste Erinnerung { $at }, wenn bis dahin niemand gesagt hat, dass er es gesehen hat.
foot-no-next = Es folgt keine Erinnerung.

why-reminder = Eine Erinnerung: Noch hat niemand gesagt, dass er es gesehen hat.
why-next = Sie bekommen dies, weil vor Ihnen im Bereitschaftsplan niemand geantwortet hat.

picture-limit = Grenze { $limit }
picture-low-limit = untere Grenze { $limit }
picture-since = seit { $at }
picture-alt = { $what } von { $from } bis { $to }, { $least } bis { $most }.
picture-alt-limit = { $what } von { $from } bis { $to }, { $least } bis { $most }; Grenze { $limit }.

test-line = TEST { $site }: Das ist ein Test von { $by } um { $at }. Es liegt nichts vor.
test-body = Niemand muss hingehen. Wenn Sie dies lesen, erreichen Sie die Meldungen dieser Anlage auf diesem Weg.

alive-line = { $site }: wacht um { $at }. Offene Meldungen: { $open }. Nächstes Lebenszeichen bis { $by }.
alive-body = Wegen dieser Nachricht muss niemand hingehen. Kommt die nächste nicht rechtzeitig, arbeitet das Programm, seine Maschine oder der Weg zu Ihnen nicht: nachsehen, denn Fehler werden dann nicht gemeldet.

page-title = Meldung { $code }
page-ask = Mit dem Knopf sagen Sie, dass Sie es gesehen haben und sich kümmern. Dann enden die Erinnerungen; die Meldung bleibt offen, bis es vorbei ist.
page-for = Dieser Link ist für { $person }.
page-done = Danke, { $person }. Sie haben es übernommen, seit { $at }.
page-yours = Sie haben es schon übernommen, { $person }, seit { $at }.
page-taken = { $who } hat es übernommen, seit { $at }. Anrufen, bevor zwei Leute verschiedene Wege gehen.
page-seen = Jemand hat schon gesagt, dass es gesehen ist, oder es ist nichts mehr übrig, wovon das zu sagen wäre.
page-over = Es ist vorbei: geschlossen um { $at }. Es ist nichts mehr zu bestätigen.
page-returned = Von selbst hält es nicht mehr an.
page-merged = Es ist ein und derselbe Fehler wie Meldung { $code } und wird von da an dort gemeldet. Der Knopf gilt für beide.
page-old = Dieser Link ist älter, als er sein darf: Er galt bis { $until }. Nehmen Sie den Link einer neueren Nachricht, oder rufen Sie an.
page-unknown-title = Link nicht bekannt
page-unknown = Dieser Link ist hier nicht bekannt: Vielleicht fehlt ein Stück davon, oder die Meldung ist so alt, dass nichts mehr von ihr da ist. Öffnen Sie ihn aus der Nachricht selbst, oder rufen Sie an.
page-trouble-title = Nicht festgehalten
page-trouble = Es konnte gerade nicht festgehalten werden. Versuchen Sie es in einer Minute noch einmal, oder rufen Sie an.
page-wrong-title = Nicht möglich
page-wrong = Diese Adresse nimmt eine solche Anfrage nicht an.

decimal-sign = ,
unit-degrees = Grad
from-to = { $from } bis { $to }
weekday-1 = Mo
weekday-2 = Di
weekday-3 = Mi
weekday-4 = Do
weekday-5 = Fr
weekday-6 = Sa
weekday-7 = So
month-1 = Jan
month-2 = Feb
month-3 = Mär
month-4 = Apr
month-5 = Mai
month-6 = Jun
month-7 = Jul
month-8 = Aug
month-9 = Sep
month-10 = Okt
month-11 = Nov
month-12 = Dez
day-of-year = { $weekday } { $day }. { $month }

# Die eine Zeile fürs Telefon. Ihr Anfang steht allein: kurze Wörter.
line-urgent = DRINGEND
line-high = HOCH
line-low = NIEDRIG
line-journal = VERMERK
line-rate-of = Änderung je Stunde, { $what }
line-supply = Einspeisung
line-meter = Messgerät
name-order = { $what } { $order }. Ordnung
name-at = an { $name }
not-known = nicht bekannt
not-measured = nicht gemessen
line-since = { $what } seit { $since }
line-since-when = seit { $when }
line-absent = { $what } gibt keinen Wert seit { $since }, danach wird nichts beurteilt
line-nameplate = { $what } { $value } passt nicht zum Typenschild (Grenze { $limit }) seit { $since }; die Grenzen dieses Messgeräts warten auf passende Werte
line-rises = { $what } steigt um { $now } (Grenze { $limit }) seit { $since }
line-falls = { $what } fällt um { $now } (Grenze { $limit }) seit { $since }
line-rate-over = { $limit } über { $over }
line-limit = Grenze { $limit }
line-low-limit = untere Grenze { $limit }
line-mean-of = Mittel über { $over }, { $limit }
line-up-to = bis { $amount }
line-down-to = herab bis { $amount }
line-was = war { $worst }
line-times = { $times } Mal, je { $lengths }
line-times-since = { $times } Mal seit { $first }, je { $lengths }
line-once = einmal um { $first }, { $lengths } lang
line-at = Ort: { $place }
line-likely = Wohl { $cause }
line-perhaps = Vielleicht { $cause }
line-gone = { $what } nicht mehr überwacht: aus der Konfiguration genommen
line-closed = { $over }, geschlossen um { $at }
line-cooler = { $topic } jetzt kühler{ $since }, der Fehler kann noch da sein
line-within-latched = { $topic } wieder innerhalb der Grenzen{ $since }, der Fehler kann noch da sein
line-not-again-after = { $topic } nach { $latest } nicht mehr aufgetreten
line-not-again = { $topic } nicht mehr aufgetreten
line-values-again = { $topic } gibt wieder Werte{ $since }
line-fits = { $topic } passt zum Typenschild{ $since }
line-within = { $topic } wieder innerhalb der Grenzen{ $since }
line-no-longer-fed = nicht mehr so: { $fed }{ $since }
line-shows-no-more = { $topic } zeigt sich nicht mehr{ $since }
line-wants-acknowledging = noch zu bestätigen
line-wants-both = zu bestätigen und freizugeben
line-wants-releasing = mit einer Notiz freizugeben
line-worse = jetzt gemeldet, weil es schlimmer wurde oder wiederkam
line-milder = milder als vorher, nicht vorbei
line-acknowledged = bestätigt von { $person }
line-shelved = zurückgestellt von { $person } bis { $until }: keine Meldungen, aufgezeichnet wird weiter
line-unshelved = wieder gemeldet: nicht mehr zurückgestellt oder außer Betrieb
line-out-of-service = außer Betrieb genommen von { $person }: keine Meldungen, aufgezeichnet wird weiter
line-instead = jetzt gemeldet anstelle dessen, was vorher von diesem Messgerät gemeldet war
line-says-nothing = das sagt nichts über den Fehler
line-resting-connection = { $cause }: kühler, weil die Last sank, der Fehler bleibt
line-resting = { $cause }: zeigt sich jetzt nicht, der Fehler kann noch da sein
line-released = { $topic } geschlossen um { $at } von { $person }: { $note }
line-merged = { $topic } ist ein und derselbe Fehler wie Meldung { $code } und wird von jetzt an dort gemeldet; nichts ist vorbei
line-explained = jetzt gemeldet, weil die Ursache bekannt ist
line-cause-over = { $cause }, vorher als Ursache gemeldet, zeigt sich nicht mehr

fed-by = von { $name } gespeist
fed-by-several = von mehr als einem gespeist
fed-by-nothing = von nichts gespeist, jeder Weg ist offen
fed-not-known = nicht bekannt, was hier einspeist
fed-normally = gewöhnlich von { $name }
fed-feeder = { $feeder } ist zurzeit { $fed }
fed-feeder-not-known = { $feeder }: { $fed }

listed-above = über Grenze { $level }
listed-below = unter der unteren Grenze { $level }
listed-comes-and-goes = kommt und geht
listed-absent = gibt keinen Wert
listed-nameplate = passt nicht zum Typenschild
listed-broken = arbeitet nicht

pattern-once = einmal seit { $first }, { $lengths } lang
pattern-every = etwa alle { $every }
pattern-hours = meist { $from }-{ $to } Uhr
pattern-days = meist { $days }
pattern-two-days = { $one } und { $other }
pattern-day-1 = montags
pattern-day-2 = dienstags
pattern-day-3 = mittwochs
pattern-day-4 = donnerstags
pattern-day-5 = freitags
pattern-day-6 = samstags
pattern-day-7 = sonntags
pattern-growing = zunehmend: { $latest } am letzten Tag, { $before } am Tag davor
pattern-not-growing = nicht zunehmend: { $latest } am letzten Tag, { $before } am Tag davor

share-not-metered = nicht gemessen
lack-largest = der größte
check-more = und { $count } weitere
others-one = Und eine weitere Meldung: { $named }
others-some = Und { $count } weitere Meldungen: { $named }
others-rest = ... und { $count }, die `kvarden status` zeigt

plot-each-reading = jede Ablesung
plot-worst-of-minute = schlimmster Wert jeder Minute

line-flood = Alarmflut
line-work = geplante Arbeit
line-ended = { $topic } beendet{ $since }
line-by-itself-no-more = { $topic } nicht mehr für sich gemeldet seit { $at }
line-chatters = kommt immer wieder: zurückgehalten, bis Ruhe ist
line-calm = wieder ruhig, und es steht an
line-work-over-stands = jetzt gemeldet: Die geplante Arbeit ist beendet, und es steht an
line-work-begun = geplante Arbeit hat begonnen: davon wird bis zu ihrem Ende nichts mehr gemeldet
line-flood-over-stands = jetzt gemeldet: Die Alarmflut ist vorbei, und es steht an
line-supply-lost = es folgt aus dem Ausfall der Einspeisung davor
flood-stands = Alarmflut, { $count } Alarme seit { $since }, der erste: { $first }
flood-root = wohl dahinter: { $cause }
flood-held = andere Alarme außer dringenden werden zurückgehalten, siehe kvarden status
flood-over = Alarmflut vorbei, { $count } Alarme seit { $since }; { $still }
flood-none-open = keine andere Meldung ist offen
flood-one-open = eine andere Meldung ist noch offen
flood-some-open = { $count } andere Meldungen sind noch offen, siehe kvarden status
