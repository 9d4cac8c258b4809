# Was der Tagesbericht sagt und was seine Räume mit `kvarden status` teilen, auf Deutsch. Dieselben Schlüssel wie in digest.en.ftl.

digest-title = { $site }: Tagesbericht vom { $date }
digest-head = Tagesbericht vom { $date }
digest-date = { $weekday }, { $day }. { $month } { $year }
digest-date-short = { $day }.{ $month }.{ $year }
digest-times = Alle Zeiten sind Ortszeit ({ $zone }). Die Zahlen gelten für das, was gemessen wurde; der Anteil steht daneben.
digest-not-measured = Nicht gemessen: Kein Messgerät hat an diesem Tag einen Wert geliefert, also war nichts zu beurteilen.
digest-revised = Fassung { $revision }, erstellt { $at }: überarbeitet, weil nach dem Abschluss des Tages noch { $late } eintrafen.
digest-late = { $minutes } min von { $meter }
digest-foot = Linien sind Mittel über zehn Minuten, das Band reicht vom kleinsten bis zum größten Wert; schraffiert: nicht gemessen; Balken am Fuß: zum Teil gemessen. Die Grenzen sind die an diesem Tag gültigen. Erstellt von Kvarden { $version }, Fassung { $revision } dieses Tages.

weekday-long-1 = Montag
weekday-long-2 = Dienstag
weekday-long-3 = Mittwoch
weekday-long-4 = Donnerstag
weekday-long-5 = Freitag
weekday-long-6 = Samstag
weekday-long-7 = Sonntag
month-long-1 = Januar
month-long-2 = Februar
month-long-3 = März
month-long-4 = April
month-long-5 = Mai
month-long-6 = Juni
month-long-7 = Juli
month-long-8 = August
month-long-9 = September
month-long-10 = Oktober
month-long-11 = November
month-long-12 = Dezember

rank-urgent = dringend
rank-high = hoch
rank-low = niedrig
rank-journal = Vermerk

# Überschriften der Teile.
digest-in-short = Kurz gefasst
digest-needs = Zu erledigen (Stand: Ende des Tages)
digest-needs-log = Zu erledigen (Stand: Ende der Aufzeichnung)
digest-findings = Benannte Ursachen, das Dringendste zuerst
digest-alarms = Alarme, das Dringendste zuerst
digest-recurrences = Kam und ging (kurze Verletzungen der ersten Grenze)
digest-figures = Zahlen
digest-works = Geplante Arbeit
digest-asked = Alarme in Zahlen, neben denen der Norm
digest-events = Ereignisse ohne Fehler
digest-counters = An diesem Tag gezählt
digest-ageing = Alterung der Isolation
digest-sharing = Parallelbetrieb: wie sich die Last aufteilte
digest-quality = Verzerrung gegenüber IEEE 519
digest-states = Zustände
digest-recordings = Aufzeichnungen: Ablesungen rings um Alarme
digest-watching = Die Überwachung selbst
digest-not-judged = Nicht beurteilt, und warum
digest-caution = Bevor jemand danach handelt
digest-cannot = Was Messgeräte nicht sehen
digest-unseen = Isolationswiderstand, Teilentladungen, Übersetzungsverhältnis, Feuchte und eine heiße Klemme ohne Sensor. Ein ruhiger Tagesbericht heißt nicht, dass ein Transformator gesund ist.

# Der Tag kurz gefasst.
digest-end = am Ende des Tages
digest-end-log = dann
digest-no-alarms = keine
digest-held = Alarme, die irgendwann anstanden: { $alarms }.
digest-log-ends = Die Aufzeichnung endet um { $at }.
digest-named = Benannte Ursachen: { $all }, davon { $end } noch zu sehen: { $named }.
digest-standing = Noch anstehend { $end }: { $count }.
digest-waits = Wartet { $end } auf jemanden: { $seen } zu bestätigen, { $released } freizugeben.
digest-came-and-went = Kurze Grenzverletzungen, die kamen und gingen: { $count }.
digest-flood = Alarmflut: { $count } Alarme kamen innerhalb von zehn Minuten.
digest-least-measured = Am wenigsten gemessen: { $what }, { $share } des Tages.

# Was jemanden braucht, und Alarme.
digest-needs-none = Nichts wartete auf jemanden.
digest-needs-more = und { $count } weitere, von niedrigerer Priorität oder später
digest-to-acknowledge = zu bestätigen
digest-to-release = mit einer Notiz zum Befund freizugeben
digest-to-both = zu bestätigen und freizugeben
digest-need = { $deed }; seit { $since }
digest-need-standing = { $deed }; steht noch an, seit { $since }
digest-need-over = { $deed }; gekommen um { $since }, steht nicht mehr an
digest-seen-standing = bestätigt, steht noch an; seit { $since }
digest-only-standing = steht noch an; seit { $since }
digest-still-standing = steht noch an
digest-at = um { $at }
digest-between = zwischen { $first } und { $last }
digest-once-at = einmal, um { $at }
digest-times-first = { $times } Mal, zuerst um { $at }
digest-times-when = { $times } Mal, { $when }
digest-once-for = einmal, { $lengths } lang
digest-held-for = stand { $long } an
digest-chattering = flatternd ({ $count } Mal oder öfter in einer Minute)
digest-not-seen = an diesem Tag nicht aufgetreten
digest-seen-once = einmal aufgetreten, um { $at }
digest-seen-times = { $times } Mal aufgetreten, { $when }
digest-peak = Maximum { $value }
digest-least = Minimum { $value }
digest-mean = Mittel { $value }
digest-peak-at = Maximum { $value } um { $at }
digest-least-at = Minimum { $value } um { $at }

# Benannte Ursachen.
digest-cause = { $cause } (Gewissheit { $sure } %)
digest-shows = seit { $since }, zeigt sich noch
digest-showed = von { $since } bis { $ended }, dann zeigte sich nichts mehr davon
digest-proof = Dafür spricht: { $all }.
digest-pattern = Muster: { $all }.
digest-shares = Anteile: { $all }.
digest-ruled-out = Ausgeschlossen: { $all }.
digest-next = Als Nächstes: { $check }

# Was gemessen wurde.
digest-meter-of = { $meter } (Abgang { $feeder })
digest-across = { $name } (mehrere Messgeräte)
digest-across-way = { $from } bis { $to } (mehrere Messgeräte)
digest-measured = zu { $share } des Tages gemessen
digest-least-of = am wenigsten { $what } ({ $share })
digest-known = für { $share } des Tages bekannt
digest-shortest = zeigt, was { $long } oder länger dauerte; Kürzeres kann fehlen
digest-column-quantity = Größe
digest-column-mean = Mittel
digest-column-least = Minimum
digest-column-peak = Maximum
digest-column-share = Anteil
digest-state = { $what }: { $long } lang ein
digest-changed-once = einmal geändert, { $when }
digest-changed = in { $count } Minuten geändert, { $when }
digest-unchanged = nicht geändert
digest-on = beim letzten Ablesen ein
digest-off = beim letzten Ablesen aus
digest-part-missing = ein Teil fehlt
digest-room = Im Speicher sind { $used } von { $most } belegt ({ $share }).

# Kurven.
digest-hour = { $hour } Uhr
digest-by-hour = Grenzverletzungen nach Stunden: { $hours }
digest-excursion = { $count } Grenzverletzung (Strich oben)
digest-excursions = { $count } Grenzverletzungen (Striche oben)
digest-nothing-drawn = Nichts zu zeichnen: keine Werte, oder ein Tag aus der Zeit vor den Kurven.
digest-chart = Verlauf über den Tag, { $meter }, { $names }
digest-chart-excursions = kurze Grenzverletzungen: { $count }
digest-chart-not-measured = { $share } des Tages nicht gemessen
digest-gap = keine Werte
digest-ambient = Umg

# Was Alarme von Menschen verlangten.
asked-rose = Gekommene Alarme, von denen Menschen erfahren: { $rose } (bis { $day } am Tag sind zu bewältigen); in der Stunde mit den meisten: { $most } (bis { $hour }).
asked-priorities = Nach Priorität: niedrig { $low } %, hoch { $high } %, dringend { $urgent } % (üblich sind etwa { $lows }, { $highs } und { $urgents }).
asked-none-held = Zu keiner Zeit stand einer davon an.
asked-held = Mindestens einer stand { $long } lang an.
asked-acknowledged = Bestätigt: { $count }, der mittlere nach { $middle }, der letzte nach { $longest }; nicht bestätigt: { $rest }.
asked-none-acknowledged = Von { $count }, die es verlangen, wurde keiner bestätigt.
asked-flood = Alarmflut { $long } lang, { $share } % der Zeit (Ziel: unter { $aim } %).
asked-stale = Steht länger als einen Tag an: { $what }, seit { $since }.
asked-stale-more = Außerdem länger als einen Tag anstehend: { $count }.
asked-chattering = Kam dreimal oder öfter in einer Minute: { $what }.
asked-chattering-more = Außerdem dreimal oder öfter in einer Minute gekommen: { $count }.
work-of-day = { $on } von { $from } bis { $until }, { $person }: { $why }.
work-of-day-open = { $on } seit { $from }, nicht beendet, { $person }: { $why }.
work-site = die ganze Anlage

# Wie die Isolation altert.
ageing-line = { $name }, Isolation{ $class }: { $said }.
ageing-class = Klasse { $class }
ageing-upgraded = thermisch verbessertes Papier
ageing-plain = einfaches Papier
ageing-on-the-day = an diesem Tag
ageing-today = heute
ageing-aged = { $when } gealtert wie in { $hours } h bei Bemessungstemperatur des heißesten Punkts
ageing-part = davon { $share } % bekannt
ageing-untold = wie sehr sie { $when } alterte, wird nicht gesagt: Was dazu nötig ist, war zu { $share } % bekannt, verlangt sind mindestens { $least } %
ageing-since = seit Beginn der Überwachung gealtert wie in { $hours } h, { $percent } % von 180.000 h
ageing-nearly-none = weniger als { $amount }
ageing-means = Die Alterung sagt, wie schnell die Isolation altert, nicht, wann sie versagt.

# Wie sich parallele Transformatoren die Last teilen.
list-and = { $first } und { $last }
list-or = { $first } oder { $last }
sharing-day = { $names } parallel, am meisten um { $at }: { $shared } ({ $known })
sharing-together = zusammen { $kva } kVA
sharing-unit = { $name } { $kva } kVA von { $rated } ({ $share } %; nach kVA und Kurzschlussspannung { $due } %)
sharing-full = bei zusammen { $kva } kVA ist der erste voll ausgelastet
sharing-without = ohne { $name }: { $left }
sharing-left = { $name } { $kva } kVA, { $percent } % seiner Bemessungsleistung

# Verzerrung gegenüber IEEE 519.
quality-secondary = { $name } Sekundärseite
quality-primary = { $name } Primärseite
quality-coupling = der Verknüpfungspunkt, an dem die Tabellen verbindlich sind
quality-inside = im Gebäude nur Richtwerte, verbindlich sind die Tabellen am Verknüpfungspunkt
quality-ratio = Ströme nach I_SC/I_L { $ratio }, aus der Kurzschlussspannung bei starker Einspeisung
quality-no-ratio = Ströme werden nicht mit ihrer Tabelle verglichen: I_SC ist hier nicht bekannt
quality-no-verdict = { $side }, die Woche: kein Urteil, { $share } ihrer 10-Minuten-Werte sind da, { $least } sind nötig.
quality-verdict = { $what }, { $percent } % { $over } liegen nicht über: { $value }, zulässig { $allowed } %: { $said } ({ $share } gemessen).
quality-week = der 10-Minuten-Werte der Woche
quality-day = der 3-Sekunden-Werte des Tages
quality-percent = { $value } %
quality-percent-of-demand = { $value } % des Bezugsstroms
quality-between = zwischen { $least } und { $most }
quality-at-most = höchstens { $most }
quality-within = eingehalten
quality-beyond = überschritten
quality-untold = nicht gesagt, weil von jeder Minute nur Mittel, kleinster und größter Wert aufgehoben sind

# Was nicht beurteilt wird. Die Gründe selbst stehen bei den Namen.
gap-of-limit = die Grenze aus { $place }
gap-line = { $file } Zeile { $line }
gap-places = { $first } bis { $last }, zusammen { $count }
gap-condition = { $what } über { $value } liegt
