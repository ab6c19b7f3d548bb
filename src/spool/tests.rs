use super::*;
use crate::domain::ids::SupplyIndex;
use crate::domain::snapshot::{Snapshot, SupplyRow};
use crate::domain::standard::{SupplyClass, SupplyKind, SupplyUnit};

const ROOM: u64 = 64 * 1024;

fn spooled(device: i64, second: i64) -> Spooled {
    let supply = SupplyRow {
        index: SupplyIndex(2),
        marker: 1,
        class: SupplyClass::Consumed,
        kind: SupplyKind::from_number(4711),
        description: "Cyan — “proof” ink".to_owned(),
        colorant: Some("cyan".to_owned()),
        unit: SupplyUnit::TenthsOfMilliliters,
        max_capacity: 7750,
        level: -3,
    };
    let outcome = match second % 3 {
        0 => Err("it did not answer".to_owned()),
        _ => Ok(Snapshot { supplies: vec![supply], complete: true, ..Snapshot::default() }),
    };
    let at = Timestamp::from_second(1_764_000_000 + second).unwrap();
    Spooled { device: DeviceId(device), name: "Bobbin".to_owned(), poll: Poll { at, outcome } }
}

/// Takes everything out that is in it.
fn empty(spool: &Spool) -> Vec<Spooled> {
    let mut all = Vec::new();
    while let Some(batch) = spool.oldest().unwrap() {
        spool.done(&batch).unwrap();
        all.extend(batch.polls);
    }
    all
}

#[test]
fn polls_come_out_as_they_went_in_and_survive_the_process() {
    let dir = tempfile::tempdir().unwrap();
    let polls: Vec<Spooled> = (1..60).map(|n| spooled(n % 4, n)).collect();
    let (first, rest) = polls.split_at(25);
    let spool = Spool::open(dir.path(), 16 * ROOM).unwrap();
    assert!(spool.is_empty());
    first.iter().for_each(|one| spool.put(one).unwrap());
    assert!(matches!(Spool::open(dir.path(), ROOM), Err(SpoolError::InUse(_))));
    drop(spool);
    let spool = Spool::open(dir.path(), 16 * ROOM).unwrap();
    assert_eq!(spool.depth().polls, 25);
    assert_eq!(spool.depth().since, Some(polls[0].poll.at));
    rest.iter().for_each(|one| spool.put(one).unwrap());
    assert_eq!(empty(&spool), polls);
    assert!(spool.is_empty());
    assert_eq!(spool.depth(), Depth::default());
}

#[test]
fn what_is_not_done_comes_again_and_what_comes_meanwhile_is_behind_it() {
    let dir = tempfile::tempdir().unwrap();
    let spool = Spool::open(dir.path(), ROOM).unwrap();
    spool.put(&spooled(1, 1)).unwrap();
    let batch = spool.oldest().unwrap().unwrap();
    spool.put(&spooled(1, 2)).unwrap();
    assert_eq!(spool.oldest().unwrap().unwrap().polls, batch.polls);
    spool.done(&batch).unwrap();
    spool.done(&batch).unwrap();
    assert_eq!(empty(&spool), [spooled(1, 2)]);
}

/// Cut off at every octet: what was whole before the cut is there, and nothing else.
#[test]
fn a_torn_end_costs_only_itself() {
    let dir = tempfile::tempdir().unwrap();
    let spool = Spool::open(dir.path(), ROOM).unwrap();
    let polls: Vec<Spooled> = (1..=3).map(|n| spooled(1, n)).collect();
    let mut ends = Vec::new();
    for one in &polls {
        spool.put(one).unwrap();
        ends.push(usize::try_from(spool.depth().bytes).unwrap());
    }
    drop(spool);
    let path = file(dir.path(), 0);
    let whole = fs::read(&path).unwrap();
    for cut in 0..=whole.len() {
        fs::write(&path, &whole[..cut]).unwrap();
        let (found, torn) = segment::read(&path).unwrap();
        let kept = ends.iter().filter(|end| **end <= cut).count();
        assert_eq!(found, polls[..kept], "cut at {cut}");
        let at_a_seam = ends.contains(&cut) || cut == b"ullage spool 1\n".len();
        assert_eq!(torn, !at_a_seam, "cut at {cut}");
    }
    // A bit that fell over is found by its sum.
    let mut spoilt = whole.clone();
    spoilt[ends[1] - 3] ^= 1;
    fs::write(&path, &spoilt).unwrap();
    let spool = Spool::open(dir.path(), ROOM).unwrap();
    assert_eq!((spool.depth().polls, spool.depth().damaged), (1, 1));
    spool.put(&spooled(1, 9)).unwrap();
    assert_eq!(empty(&spool), [spooled(1, 1), spooled(1, 9)]);
}

#[test]
fn a_full_spool_drops_the_oldest_and_counts_them() {
    let dir = tempfile::tempdir().unwrap();
    let spool = Spool::open(dir.path(), ROOM).unwrap();
    let polls: Vec<Spooled> = (1..=600).map(|n| spooled(1, n)).collect();
    polls.iter().for_each(|one| spool.put(one).unwrap());
    let depth = spool.depth();
    assert!(depth.bytes <= ROOM && depth.dropped > 0, "{depth:?}");
    assert_eq!(depth.polls + depth.dropped, 600);
    let dropped = usize::try_from(depth.dropped).unwrap();
    assert_eq!(depth.since, Some(polls[dropped].poll.at));
    let on_disk: u64 = numbers(dir.path())
        .unwrap()
        .into_iter()
        .map(|number| fs::metadata(file(dir.path(), number)).unwrap().len())
        .sum();
    assert_eq!(on_disk, depth.bytes);
    assert_eq!(empty(&spool), polls[dropped..]);
}

#[test]
fn a_disk_that_refuses_is_told_and_counted_and_costs_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let spool = Spool::open(dir.path(), ROOM).unwrap();
    spool.put(&spooled(1, 1)).unwrap();
    // The kernel's own full disk stands where the next file would be.
    let full = File::options().write(true).open("/dev/full").unwrap();
    let mut writer = Writer::of(full);
    assert!(writer.add(&segment::frame(&spooled(1, 2)).unwrap()).is_err());
    spool.state().writer = Some(writer);
    let told = spool.put(&spooled(1, 2)).unwrap_err().to_string();
    assert!(told.contains("poll.spool_dir") && told.contains(&dir.path().display().to_string()), "{told}");
    assert_eq!((spool.depth().polls, spool.depth().refused), (1, 1));
    spool.put(&spooled(1, 3)).unwrap();
    assert_eq!(empty(&spool), [spooled(1, 1), spooled(1, 3)]);
}

#[test]
fn every_number_of_the_standard_is_read_as_it_was_written() {
    for number in -5..200 {
        let kind = SupplyKind::from_number(number);
        let text = serde_json::to_string(&kind).unwrap();
        assert_eq!(serde_json::from_str::<SupplyKind>(&text).unwrap(), kind);
        let code = crate::domain::standard::AlertCode::from_number(number * 11);
        let text = serde_json::to_string(&code).unwrap();
        assert_eq!(serde_json::from_str::<crate::domain::standard::AlertCode>(&text).unwrap(), code);
    }
}
