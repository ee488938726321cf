//! Excursions of a line as second endpoint. The truth is invented and stands in each test.

use straykey::analysis::compare::{
    CompareOptions, Figures, NearSeen, Observation, PathSeen, Verdict, compare,
};
use straykey::analysis::event_sequence::EventSequence;
use straykey::analysis::ledger::{Builder, Expected, Ledger, PathId, PathTotal};
use straykey::analysis::level::Departures;
use straykey::analysis::soak::Soak;
use straykey::base::{Event, Nanoseconds, Span};
use straykey::decode::report::{LineState, Report, Reported};
use straykey::timeline::Watch;

use super::simulate::press;

const REST: f64 = 1023.0;
const KEY: u32 = 156;
const BASELINE_S: f64 = 1200.0;

fn at(t: f64) -> Nanoseconds {
    Nanoseconds::from_seconds(t)
}

fn id() -> PathId {
    PathId::line("KEY1")
}

/// A capture: when strays and excursions came, and how its line rested and was read.
#[derive(Clone)]
struct Capture {
    strays: Vec<f64>,
    excursions: Vec<(f64, u32)>,
    length: f64,
    rest: f64,
    reach: f64,
    rate: f64,
}

impl Capture {
    fn quiet(length: f64) -> Self {
        Self { strays: Vec::new(), excursions: Vec::new(), length, rest: REST, reach: 3.0, rate: 20.0 }
    }

    /// Excursions each ten seconds on average, five strays among them; spread by the golden ratio, so neither by a beat nor in
    /// bursts.
    fn baseline() -> Self {
        let place = |i: u32| (0.1 + f64::from(i) * 0.618_034).fract() * BASELINE_S;
        let mut excursions: Vec<(f64, u32)> = (0..120).map(|i| (place(i), KEY)).collect();
        excursions.sort_by(|a, b| a.0.total_cmp(&b.0));
        let strays = [100.0, 310.0, 650.0, 700.0, 1000.0].to_vec();
        Self { strays, excursions, ..Self::quiet(BASELINE_S) }
    }

    fn events(&self) -> impl Iterator<Item = Event> + '_ {
        self.strays.iter().map(|t| Event { line: id().line, ..press(*t, 0) })
    }

    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn ledger(&self) -> Ledger {
        let span = Span { start: Nanoseconds::ZERO, end: at(self.length) };
        let mut ledger = Ledger::simulated(&[id()], span);
        ledger.paths[0].departures = Some(Departures {
            from: span.start,
            until: None,
            rest: self.rest,
            reach: self.reach,
            excursions: self.excursions.iter().map(|(t, counts)| (at(*t), *counts)).collect(),
            of_strays: (!self.strays.is_empty()).then_some((KEY, KEY)),
            readings: (self.rate * self.length) as u64,
        });
        ledger
    }

    /// Begins at this second of the wall clock.
    fn seen(&self, wall: f64) -> Observation {
        let ledger = self.ledger();
        let mut sequence = EventSequence::new();
        self.events().for_each(|event| sequence.push(&event));
        sequence.observe(ledger.span.unwrap());
        let path = PathSeen {
            total: PathTotal::of(&id(), std::slice::from_ref(&ledger)),
            near: NearSeen::of(&id(), &sequence, &[ledger]),
            sequence: sequence.clone(),
        };
        Observation {
            sequence,
            hands_off: true,
            paths: vec![path],
            span_s: self.length,
            wall: Some(Span { start: at(wall), end: at(wall + self.length) }),
            ..Observation::default()
        }
    }
}

/// After a break of a minute.
fn judged(before: &Capture, after: &Capture) -> Figures {
    let after = after.seen(BASELINE_S + 60.0);
    compare(&before.seen(0.0), &after, &CompareOptions::default()).paths[0].figures
}

#[test]
fn their_end_shows_a_repair_in_a_fraction_of_the_time() {
    let before = Capture::baseline();
    let alone = Capture { excursions: Vec::new(), ..before.clone() };
    let strays = judged(&alone, &Capture::quiet(120.0));
    let both = judged(&before, &Capture::quiet(120.0));
    assert_eq!((strays.verdict, both.verdict), (Verdict::Undecided, Verdict::Gone), "{strays:?} {both:?}");
    let found = both.excursions.unwrap();
    assert_eq!((found.before, found.after, found.counts, found.decides), (120, 0, true, true));
    assert!(strays.soak_more_95_s.unwrap() > 600.0 && both.quiet_anyway < 0.05, "{strays:?} {both:?}");
    // The longer nobody watched, the more may the line have come to rest by itself.
    let later = Capture::quiet(120.0).seen(2.0 * BASELINE_S);
    let late = compare(&before.seen(0.0), &later, &CompareOptions::default()).paths[0].figures;
    assert_eq!(late.verdict, Verdict::Undecided);
    assert!(late.quiet_anyway > 0.05 && late.soak_more_95_s < strays.soak_more_95_s, "{late:?}");
}

#[test]
fn where_one_might_not_show_their_end_proves_nothing() {
    let before = Capture::baseline();
    let quiet = Capture::quiet(120.0);
    let after = [
        ("one of another kind still comes", Capture { excursions: vec![(60.0, 900)], ..quiet.clone() }),
        ("the line is read half as often", Capture { rate: 10.0, ..quiet.clone() }),
        ("noise hides the level of the strays", Capture { reach: 900.0, ..quiet.clone() }),
        ("the line rests near to that level", Capture { rest: 500.0, ..quiet.clone() }),
        ("the line rests at that level", Capture { rest: 157.0, ..quiet.clone() }),
    ];
    for (why, after) in after {
        let found = judged(&before, &after);
        assert_eq!(found.verdict, Verdict::Undecided, "{why}: {found:?}");
        assert!(!found.excursions.unwrap().counts, "{why}: {found:?}");
    }
    // A line that rests nearer to its full scale than before is repaired the better.
    assert_eq!(judged(&Capture { rest: 1000.0, ..before.clone() }, &quiet).verdict, Verdict::Gone);
    // Excursions to other levels are another thing than strays.
    let mut other = before.clone();
    other.excursions.iter_mut().step_by(2).for_each(|excursion| excursion.1 = 900);
    assert_eq!(judged(&other, &quiet).excursions, None);
    // A line that rests for five minutes by itself may do so again.
    let mut rests = before.clone();
    rests.excursions.retain(|(t, _)| !(400.0..700.0).contains(t));
    rests.strays = vec![100.0, 310.0, 1000.0];
    let found = judged(&rests, &quiet);
    assert_eq!((found.verdict, found.excursions.unwrap().counts), (Verdict::Undecided, false), "{found:?}");
}

#[test]
fn while_they_go_on_quiet_is_no_repair() {
    let before = Capture::baseline();
    let touched = Capture { excursions: vec![(600.0, KEY), (2400.0, KEY + 8)], ..Capture::quiet(7200.0) };
    let found = judged(&before, &touched);
    assert_eq!((found.verdict, found.hand_back), (Verdict::Reduced, false), "{found:?}");
    let said = compare(&before.seen(0.0), &touched.seen(BASELINE_S), &CompareOptions::default());
    let words = straykey::bench::words::headline(&said);
    assert!(
        words.contains(
            "keypad KEY1 still went as far as its strays did: 2 times since the step, 120 times before"
        ),
        "{words}"
    );
    // The same quiet without them.
    assert!(judged(&before, &Capture::quiet(7200.0)).hand_back);
    // One may be a spark from outside; then strays alone count.
    let spark = Capture { excursions: vec![(600.0, KEY)], ..Capture::quiet(7200.0) };
    assert_eq!(judged(&before, &spark).verdict, Verdict::Gone);
}

/// Live, with a part of the stage watched before, and stored.
#[test]
fn a_soak_says_what_its_stage_says() {
    let before = Capture::baseline();
    let variants = [
        Capture::quiet(100.0),
        Capture { excursions: vec![(30.0, KEY), (50.0, KEY)], ..Capture::quiet(100.0) },
        Capture { strays: vec![40.0], ..Capture::quiet(100.0) },
    ];
    for after in variants {
        let stored = judged(&before, &after);
        let mut soak = Soak::new(Some(&before.seen(0.0)), &CompareOptions::default(), None);
        soak.begins(at(BASELINE_S + 60.0));
        let ledger = after.ledger();
        after.events().for_each(|event| soak.push(&event, false, &|| ledger.clone()));
        let live = soak.tick(&ledger).paths[0].figures.unwrap();
        assert_eq!(live, stored);
        // The same capture again in one stage with the first.
        let mut soak = Soak::new(Some(&before.seen(0.0)), &CompareOptions::default(), None);
        soak.begins(at(BASELINE_S + 60.0));
        soak.resume(&after.seen(BASELINE_S + 60.0));
        let quiet = Capture::quiet(50.0);
        let live = soak.tick(&quiet.ledger()).paths[0].figures.unwrap();
        let mut sequence = EventSequence::new();
        let ledgers = [after.ledger(), quiet.ledger()];
        after.events().for_each(|event| sequence.push(&event));
        sequence.observe(ledgers[0].span.unwrap());
        sequence.observe(ledgers[1].span.unwrap());
        let near = NearSeen::of(&id(), &sequence, &ledgers);
        let total = PathTotal::of(&id(), &ledgers);
        let path = PathSeen { total, near, sequence: sequence.clone() };
        let stage =
            Observation { sequence, paths: vec![path], span_s: 150.0, ..after.seen(BASELINE_S + 60.0) };
        assert_eq!(live, compare(&before.seen(0.0), &stage, &CompareOptions::default()).paths[0].figures);
    }
}

/// A line that is read each 50 ms for 40 s, with single readings at the key's level at these times.
fn read(builder: &mut Builder, touches: &[i64]) -> Vec<(Nanoseconds, u32)> {
    builder.expect(vec![Expected {
        line: "KEY1".to_owned(),
        period_s: Some(0.05),
        silent: false,
        debounce: 2,
    }]);
    for ms in (0..40_000).step_by(50) {
        let touched = touches.contains(&ms);
        let (counts, state) = if touched { (KEY, LineState::Between) } else { (1023, LineState::Rest) };
        let what = Reported::Reading { line: id().line.unwrap(), counts, state };
        builder.report(&Report { t: Nanoseconds::from_millis(ms), what });
    }
    let ledger = builder.ledger(Some(Span { start: Nanoseconds::ZERO, end: at(40.0) }));
    ledger.path(&id()).unwrap().departures.clone().unwrap().excursions
}

#[test]
fn what_a_hand_does_that_was_asked_for_is_no_excursion() {
    let key = super::simulate::key(0);
    let touches = [15_000, 25_000, 35_000];
    let all = read(&mut Builder::default(), &touches);
    assert_eq!(all, touches.map(|ms| (Nanoseconds::from_millis(ms), KEY)));
    // Asked for at 24.5 s, and again at 30 s; nothing answers.
    let mut asked = Builder::default();
    asked.expect_prompts([(at(24.5), key), (at(30.0), key)]);
    let left = read(&mut asked, &touches);
    assert_eq!(left, [(at(15.0), KEY)]);
}
