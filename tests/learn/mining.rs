//! Shapes mined from lines of known origin, beside the reference implementation on the same lines.

use straykey::learn::Miner;

use super::grouping::{Row, accuracy, ours, rows, show};

#[test]
fn the_measure_gives_the_worked_example() {
    // Computed apart for the definition: GA 0.4, FGA 0.25.
    let truth = [1, 1, 1, 1, 2, 2, 3, 3, 3, 4];
    let found = [1, 1, 1, 1, 2, 3, 4, 4, 4, 4];
    assert_eq!(accuracy(&truth, &found), (0.4, 0.25));
}

#[test]
fn lines_are_grouped_better_than_by_the_reference_implementation() {
    let rows = rows("mining.csv", "tests/reference");
    let mut sums = [(0.0, 0.0); 3];
    let programs = 8;
    for program in 0..programs {
        let mine: Vec<&Row> = rows.iter().filter(|row| row.program == program).collect();
        assert!(mine.len() >= 500, "the table is cut");
        let lines: Vec<&str> = mine.iter().map(|row| row.text.as_str()).collect();
        let truth: Vec<usize> = mine.iter().map(|row| row.truth).collect();
        let found = ours(&lines);
        let plain: Vec<usize> = mine.iter().map(|row| row.plain).collect();
        let masked: Vec<usize> = mine.iter().map(|row| row.masked).collect();
        let all = [accuracy(&truth, &found), accuracy(&truth, &plain), accuracy(&truth, &masked)];
        println!(
            "program {program}: GA, FGA ours {:.3?}, drain3 {:.3?}, with masks {:.3?}",
            all[0], all[1], all[2]
        );
        show(&truth, &found, &lines);
        for (sum, one) in sums.iter_mut().zip(all) {
            *sum = (sum.0 + one.0 / programs as f64, sum.1 + one.1 / programs as f64);
        }
    }
    println!("mean of {programs}: ours {:.3?}, drain3 {:.3?}, with masks {:.3?}", sums[0], sums[1], sums[2]);
    let best = (sums[1].0.max(sums[2].0), sums[1].1.max(sums[2].1));
    assert!(sums[0].0 >= best.0 && sums[0].1 >= best.1, "ours {:?}, theirs {best:?}", sums[0]);
    assert!(sums[0].0 >= 0.9, "{:?}", sums[0]);
}

#[test]
fn memory_stays_bounded_on_lines_that_never_repeat() {
    let mut random = crate::support::random::Random(4);
    let mut miner = Miner::new();
    for _ in 0..200_000 {
        let words = 1 + random.below(12);
        let line: Vec<String> = (0..words)
            .map(|_| {
                let mark = [" ", ":", "=", "[", "/"][random.below(5)];
                format!(
                    "{}{mark}",
                    char::from(b'g' + random.below(20) as u8).to_string().repeat(1 + random.below(9))
                )
            })
            .collect();
        miner.push(line.concat().as_bytes());
    }
    let (groups, _) = miner.settled();
    assert!(groups.len() <= 8_192, "{}", groups.len());
    assert!(miner.ungrouped() > 0, "the limit was not reached, so that this shows nothing");
}

#[test]
fn any_bytes_are_taken() {
    let mut random = crate::support::random::Random(7);
    let mut miner = Miner::new();
    for _ in 0..5_000 {
        let length = random.below(300);
        miner.push(&random.bytes(length));
    }
    miner.push(&vec![b'a'; 1 << 20]);
    miner.push(&b"x ".repeat(1 << 18));
    miner.push(b"");
    let (groups, _) = miner.settled();
    assert!(groups.iter().map(|group| group.lines).sum::<u64>() + miner.ungrouped() == 5_003);
}
