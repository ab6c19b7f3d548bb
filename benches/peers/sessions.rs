//! Reads a list of printers by the sessions of a general SNMP crate, as its documentation lays out: a session
//! for each printer, one printer after another. Each is asked for ten scalars and nine columns of
//! prtMarkerSuppliesTable by GETBULK until every column is over, or with `repeat` for what changes, by one GET.
//!
//! Prints one JSON object.

use std::time::{Duration, Instant};

use snmp2::{Oid, SyncSession, Value};

const ENTRY: [u64; 10] = [1, 3, 6, 1, 2, 1, 43, 11, 1, 1];
const COLUMNS: u64 = 9;
const SUPPLIES: u64 = 16;
const SCALARS: [&[u64]; 10] = [
    &[1, 3, 6, 1, 2, 1, 1, 1, 0],
    &[1, 3, 6, 1, 2, 1, 1, 3, 0],
    &[1, 3, 6, 1, 2, 1, 1, 5, 0],
    &[1, 3, 6, 1, 2, 1, 1, 6, 0],
    &[1, 3, 6, 1, 2, 1, 25, 3, 2, 1, 5, 1],
    &[1, 3, 6, 1, 2, 1, 25, 3, 5, 1, 1, 1],
    &[1, 3, 6, 1, 2, 1, 25, 3, 5, 1, 2, 1],
    &[1, 3, 6, 1, 2, 1, 43, 5, 1, 1, 1, 1],
    &[1, 3, 6, 1, 2, 1, 43, 5, 1, 1, 17, 1],
    &[1, 3, 6, 1, 2, 1, 43, 10, 2, 1, 4, 1, 1],
];

/// How a column was read so far: its last name, or that it is over.
type Columns = Vec<Option<Vec<u64>>>;

pub(crate) fn run(list: &str, repeat: bool) -> Result<(), Box<dyn std::error::Error>> {
    let list = std::fs::read_to_string(list)?;
    let (began, cpu) = (Instant::now(), cpu_seconds());
    let (mut answered, mut failed, mut values, mut asked) = (0, 0, 0, 0);
    for address in list.lines() {
        let mut session = SyncSession::new_v2c(address, b"public", Some(Duration::from_secs(1)), 1)?;
        let read = if repeat { changes(&mut session) } else { whole(&mut session) };
        match read {
            Ok((came, questions)) => {
                (answered, values, asked) = (answered + 1, values + came, asked + questions)
            }
            Err(_) => failed += 1,
        }
    }
    let cpu = cpu_seconds() - cpu;
    println!(
        "{}",
        serde_json::json!({
            "answered": answered, "failed": failed, "values": values, "wall_s": began.elapsed().as_secs_f64(),
            "cpu_s": cpu, "datagrams_sent": asked, "datagrams_received": asked, "peak_rss_mb": peak_rss_mb(),
        })
    );
    Ok(())
}

/// The values of a printer, and how many questions they took.
fn whole(session: &mut SyncSession) -> Result<(u64, u64), snmp2::Error> {
    // Column 1 is not readable; a printer without it answers with the next, and that column is over.
    let mut columns: Columns = (1..=COLUMNS).map(|column| Some([&ENTRY[..], &[column]].concat())).collect();
    let (mut values, mut questions) = (0, 0);
    while columns.iter().any(Option::is_some) {
        let once = if questions == 0 { SCALARS.len() } else { 0 };
        let open: Vec<usize> = (0..columns.len()).filter(|at| columns[*at].is_some()).collect();
        // The scalar before the one that is wanted, for its next.
        let firsts = SCALARS[..once].iter().map(|name| &name[..name.len() - 1]);
        let names: Vec<Oid<'_>> =
            firsts.chain(open.iter().filter_map(|at| columns[*at].as_deref())).map(oid).collect();
        let names: Vec<&Oid<'_>> = names.iter().collect();
        let answer = session.getbulk(&names, u32::try_from(once).unwrap_or(0), 17)?;
        questions += 1;
        let mut came = 0;
        for (at, (name, value)) in answer.varbinds.clone().enumerate() {
            came += 1;
            let Some(place) = at.checked_sub(once) else { continue };
            let column = open[place % open.len()];
            let arcs: Vec<u64> = name.iter().map(Iterator::collect).unwrap_or_default();
            let inside = arcs.starts_with(&ENTRY) && arcs.get(ENTRY.len()) == Some(&(column as u64 + 1));
            let over = !inside || matches!(value, Value::EndOfMibView);
            if columns[column].is_some() {
                columns[column] = (!over).then_some(arcs);
            }
        }
        if came == 0 {
            break;
        }
        values += came;
    }
    Ok((values, questions))
}

fn changes(session: &mut SyncSession) -> Result<(u64, u64), snmp2::Error> {
    let levels: Vec<Vec<u64>> = (1..=SUPPLIES).map(|row| [&ENTRY[..], &[9, 1, row]].concat()).collect();
    let names: Vec<Oid<'_>> =
        SCALARS.iter().copied().chain(levels.iter().map(Vec::as_slice)).map(oid).collect();
    let names: Vec<&Oid<'_>> = names.iter().collect();
    let answer = session.get_many(&names)?;
    Ok((answer.varbinds.clone().count() as u64, 1))
}

fn oid(arcs: &[u64]) -> Oid<'static> {
    Oid::from(arcs).expect("arcs of the standards are arcs")
}

fn cpu_seconds() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 / 1e9
}

fn peak_rss_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.trim().strip_suffix("kB")?.trim().parse::<f64>().ok()? / 1_024.0)
}
