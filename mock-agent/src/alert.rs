//! A printer's alert table (RFC 3805 section 2.2.13): which rows stand, and the counters beside it.

/// How bad a supply's state is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Trouble {
    None,
    /// Almost empty or almost full: a warning.
    Almost,
    /// Empty or full: critical.
    Out,
    /// Not in: critical.
    Missing,
}

/// One row of prtAlertTable.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Alert {
    pub(crate) index: u32,
    pub(crate) severity: i32,
    pub(crate) training: i32,
    pub(crate) supply: u32,
    pub(crate) code: i32,
    pub(crate) text: String,
    pub(crate) ticks: u32,
}

/// The table.
#[derive(Debug, Clone)]
pub(crate) struct Alerts {
    pub(crate) rows: Vec<Alert>,
    states: Vec<Trouble>,
    next: u32,
    pub(crate) critical_events: u32,
    pub(crate) all_events: u32,
}

impl Alerts {
    pub(crate) fn new(supplies: usize) -> Self {
        Self {
            rows: Vec::new(),
            states: vec![Trouble::None; supplies],
            next: 1,
            critical_events: 0,
            all_events: 0,
        }
    }

    /// The printer has been switched on: numbering starts at 1 again, as the standard says for a reset.
    pub(crate) fn restart(&mut self) {
        self.rows.clear();
        self.states.fill(Trouble::None);
        self.next = 1;
        self.critical_events = 0;
    }

    pub(crate) fn worst(&self) -> Trouble {
        self.states.iter().copied().max().unwrap_or(Trouble::None)
    }

    pub(crate) fn state(&self, place: usize) -> Trouble {
        self.states.get(place).copied().unwrap_or(Trouble::None)
    }

    /// Notes the state of the supply at `place`; a change takes the old row away and adds a new one.
    pub(crate) fn note(&mut self, place: usize, state: Trouble, receptacle: bool, name: &str, ticks: u32) {
        let Some(known) = self.states.get_mut(place) else { return };
        if *known == state {
            return;
        }
        *known = state;
        let supply = place as u32 + 1;
        self.rows.retain(|row| row.supply != supply);
        // Codes of prtAlertCode, RFC 3805: inkEmpty 1102, inkAlmostEmpty 1105, wasteInkReceptacleAlmostFull
        // 1108, wasteInkReceptacleFull 1110, inkMissing 1119, wasteInkReceptacleMissing 1128. Severity critical is 3, warning 4; training untrained 3.
        let (code, words) = match (state, receptacle) {
            (Trouble::None, _) => return,
            (Trouble::Almost, false) => (1105, "almost empty"),
            (Trouble::Out, false) => (1102, "empty"),
            (Trouble::Almost, true) => (1108, "almost full"),
            (Trouble::Out, true) => (1110, "full"),
            (Trouble::Missing, false) => (1119, "missing"),
            (Trouble::Missing, true) => (1128, "missing"),
        };
        let critical = state >= Trouble::Out;
        self.rows.push(Alert {
            index: self.next,
            severity: if critical { 3 } else { 4 },
            training: 3,
            supply,
            code,
            text: format!("{name} {words}"),
            ticks,
        });
        self.next = if self.next == i32::MAX as u32 { 1 } else { self.next + 1 };
        self.all_events = self.all_events.wrapping_add(1);
        self.critical_events = self.critical_events.wrapping_add(u32::from(critical));
    }
}
