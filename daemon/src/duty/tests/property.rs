//! Whatever happens, people are told once, in time, and not at night.

use super::*;
use proptest::prelude::*;

/// What somebody does in the property below.
#[derive(Debug, Clone, Copy)]
enum Step {
    Opens(u8, Priority),
    Seen(u8),
    Worse(u8),
    Over(u8),
    Wait(u16),
    Dies,
}

fn step() -> impl Strategy<Value = Step> {
    let priority = prop_oneof![Just(Priority::Low), Just(Priority::High), Just(Priority::Urgent)];
    prop_oneof![
        3 => (0u8..12, priority).prop_map(|(which, priority)| Step::Opens(which, priority)),
        2 => (0u8..12).prop_map(Step::Seen),
        1 => (0u8..12).prop_map(Step::Worse),
        1 => (0u8..12).prop_map(Step::Over),
        6 => (1u16..400).prop_map(Step::Wait),
        2 => Just(Step::Dies),
    ]
}

fn id(telling: &Telling) -> String {
    let AlertRevision { alert, revision, .. } = &telling.revision;
    format!("{alert}:{revision}:{}:{:?}", telling.person, telling.reminder)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    /// Whatever happens, and however often the program dies between deciding and keeping: nobody gets one id twice, nobody is
    /// told in quiet hours of what is not urgent, each urgent alert that nobody has seen reaches the one on duty within its time
    /// (at once; in a flood within half a minute), and a program that dies tells what one tells that lives.
    #[test]
    fn whatever_happens_people_are_told_once_in_time_and_not_at_night(
        steps in prop::collection::vec(step(), 1..60), hour in 0i64..24,
    ) {
        let mut now = utc("2026-11-27T00:00:00Z") + Span::hours(hour);
        let (mut dying, mut living) = (Kept::default(), Kept::default());
        let (mut one, mut other) = (dying.begin(), living.begin());
        let mut dies = false;
        let mut times = [0u32; 12];
        let mut newest: BTreeMap<String, AlertRevision> = BTreeMap::new();
        // What is urgent, unseen and untold, with the moment since when.
        let mut waiting: BTreeMap<String, EventTime> = BTreeMap::new();
        for step in steps {
            let seconds = if let Step::Wait(minutes) = step { i64::from(minutes) * 60 } else { 1 };
            let next = match step {
                Step::Opens(which, priority) => {
                    let name = |times| format!("a{which}#{times}");
                    let times = &mut times[usize::from(which)];
                    let is_open = newest.get(&name(*times)).is_some_and(|one| one.open);
                    *times += u32::from(!is_open);
                    (!is_open).then(|| alert(&name(*times), 1, priority))
                }
                Step::Seen(which) | Step::Worse(which) | Step::Over(which) => {
                    let known = newest.get(&format!("a{which}#{}", times[usize::from(which)])).cloned();
                    let unseen = |one: &AlertRevision| one.state == AlarmState::Unacknowledged;
                    known.filter(|one| one.open).and_then(|one| match step {
                        Step::Seen(_) => unseen(&one).then(|| seen(&one)),
                        Step::Worse(_) => (one.priority < Priority::Urgent).then(|| AlertRevision {
                            revision: one.revision + 1,
                            priority: Priority::Urgent,
                            why: Revised::Worse,
                            state: AlarmState::Unacknowledged,
                            ..one
                        }),
                        _ => Some(over(&one)),
                    })
                }
                Step::Wait(_) | Step::Dies => None,
            };
            dies |= matches!(step, Step::Dies);
            let mut unkept: Vec<AlertRevision> = next.into_iter().collect();
            for next in &unkept {
                newest.insert(next.alert.clone(), next.clone());
                one.hear(next);
                other.hear(next);
                if next.priority == Priority::Urgent && next.state == AlarmState::Unacknowledged {
                    waiting.entry(next.alert.clone()).or_insert(now);
                } else {
                    waiting.remove(&next.alert);
                }
            }
            for _ in 0..seconds {
                now += Span::seconds(1);
                if !(one.is_due(now) || other.is_due(now)) {
                    continue;
                }
                if std::mem::take(&mut dies) {
                    // It has decided, and dies before that is kept; what it had heard comes again.
                    one.attend(now, true);
                    one = dying.begin();
                    for next in &unkept {
                        one.hear(next);
                    }
                }
                for (kept, duty) in [(&mut dying, &mut one), (&mut living, &mut other)] {
                    for telling in duty.attend(now, true) {
                        let name = &rules().people[telling.person].name;
                        let urgent = telling.revision.priority == Priority::Urgent
                            || telling.others.iter().any(|one| one.priority == Priority::Urgent);
                        let quiet = rules().quiet_until(telling.person, now);
                        prop_assert!(urgent || quiet.is_none(), "{name} is told at night: {telling:?}");
                        prop_assert!(!telling.by.is_empty(), "{telling:?}");
                        kept.letters.push((id(&telling), now));
                        if telling.person == rules().rota.line(now)[0] {
                            waiting.remove(&telling.revision.alert);
                            waiting.retain(|alert, _| telling.others.iter().all(|other| other.alert != *alert));
                        }
                    }
                    kept.keep(&unkept, duty.take_changes());
                }
                unkept.clear();
            }
            for (alert, since) in &waiting {
                prop_assert!(now - *since <= Span::seconds(31), "nobody on duty was told of {alert} since {since:?}");
            }
        }
        let mut ids: Vec<&String> = dying.letters.iter().map(|(id, _)| id).collect();
        ids.sort();
        let count = ids.len();
        ids.dedup();
        prop_assert_eq!(ids.len(), count, "an id was told twice");
        prop_assert_eq!(&dying.letters, &living.letters);
    }
}
