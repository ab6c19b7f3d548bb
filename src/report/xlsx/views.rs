//! The sheets of the workbook.

use super::Book;
use super::sheet::{Cell, Grid, Kind, Picture, major};
use crate::domain::month::{Costs, DeviceMonth, Forecasts, Silence, SupplyMonth, SupplyTotal};
use crate::domain::part::Currency;
use crate::domain::reading::Role;
use crate::report::words;

/// The columns of the sheet of supplies that formulas name.
const LABEL: &str = "C";
const ROLE: &str = "D";
const UNIT: &str = "E";
const CURRENCY: &str = "L";

fn role(role: Role) -> &'static str {
    match role {
        Role::Consumed => "consumed",
        Role::Filled => "filled",
    }
}

fn sum_of(costs: &Costs, currency: Currency) -> f64 {
    let price = costs.iter().find(|price| price.currency == currency);
    price.map_or(0.0, major)
}

/// The letters of a column, counted from nought.
fn letters(column: usize) -> String {
    let last = char::from(b'A' + u8::try_from(column % 26).unwrap_or(0));
    if column < 26 { last.to_string() } else { letters(column / 26 - 1) + &last.to_string() }
}

impl Book<'_> {
    pub(super) fn summary(&self) -> Grid {
        let report = self.report;
        let mut rows = vec![vec![Cell::Title(format!("Supply report, {}", report.month.name()))]];
        rows.push(vec![Cell::text(words::state(self.statement))]);
        rows.push(vec![Cell::text(words::span(report))]);
        rows.push(vec![]);
        let heads = ["Supply", "Role", "Unit", "Used", "of it spread", "unseen, at most", "Swaps"];
        let mut heads: Vec<String> = heads.map(str::to_owned).into();
        heads.push("Left in units taken out".to_owned());
        heads.extend(self.with_currency("Worth of what was used"));
        heads.extend(self.with_currency("Worth of what was left"));
        rows.push(heads.into_iter().map(Cell::Head).collect());
        let first = rows.len() + 1;
        let totals = report.totals();
        for total in &totals {
            rows.push(self.total_row(total, rows.len() + 1));
        }
        let last = rows.len();
        rows.push(vec![]);
        rows.push(vec![Cell::text(
            "Supplies counted in percent of a full unit are not added up: their units may differ in size.",
        )]);
        rows.push(vec![]);
        self.cost_centre_rows(&mut rows);
        self.forecast_rows(&mut rows);
        let picture = (!totals.is_empty()).then(|| Picture {
            title: format!("Used in {}", report.month.name()),
            rows: (first, last),
            columns: (0, 3),
            at: (rows.len() + 2, 0),
        });
        Grid { name: "Summary", rows, widths: vec![26.0, 11.0, 9.0, 12.0], is_list: false, picture }
    }

    /// Exact in upper and lower case, and nothing in a name is a pattern.
    fn total_row(&self, total: &SupplyTotal, row: usize) -> Vec<Cell> {
        let exact =
            |column: &str, cell: &str| format!("--EXACT({},{cell}{row})", self.supplies_column(column));
        let chosen = [exact(LABEL, "$A"), exact(ROLE, "$B"), exact(UNIT, "$C")].join(",");
        let sum = |column: &str, result, kind| {
            Cell::Sum(format!("SUMPRODUCT({chosen},{})", self.supplies_column(column)), result, kind)
        };
        let mut cells = vec![
            Cell::text(&total.label),
            Cell::text(role(total.role)),
            Cell::text(total.measure.word()),
            sum("F", total.used, Kind::Amount),
            sum("G", total.spread, Kind::Amount),
            sum("H", total.unseen, Kind::Amount),
            sum("I", f64::from(total.swaps), Kind::Count),
            sum("J", total.left_in_swapped, Kind::Amount),
        ];
        for (column, costs) in [("M", &total.cost), ("N", &total.left_cost)] {
            for currency in &self.currencies {
                let paid = format!("--EXACT({},\"{}\")", self.supplies_column(CURRENCY), currency.code());
                cells.push(Cell::Sum(
                    format!("SUMPRODUCT({chosen},{paid},{})", self.supplies_column(column)),
                    sum_of(costs, *currency),
                    Kind::Money(currency.digits()),
                ));
            }
        }
        cells
    }

    fn cost_centre_rows(&self, rows: &mut Vec<Vec<Cell>>) {
        let machines = self.report.devices.len();
        let column = |at: usize| format!("Machines!${0}$2:${0}${1}", letters(at), machines + 1);
        let money = self.currencies.len();
        let mut heads = vec!["Cost centre".to_owned(), "Machines".to_owned(), "Ink used, ml".to_owned()];
        heads.push("Swaps".to_owned());
        heads.extend(self.with_currency("Worth of what was used"));
        heads.extend(self.with_currency("Worth of what was left"));
        heads.extend(self.with_currency("Taken from the shelf"));
        rows.push(heads.into_iter().map(Cell::Head).collect());
        for group in self.report.cost_centres() {
            let row = rows.len() + 1;
            let chosen = format!("--EXACT({},$A{row})", column(3));
            let sum = |at: usize, result, kind| {
                Cell::Sum(format!("SUMPRODUCT({chosen},{})", column(at)), result, kind)
            };
            let mut cells = vec![
                group.name.as_ref().map_or(Cell::Empty, Cell::text),
                Cell::Sum(
                    format!("SUMPRODUCT(--EXACT({},$A{row}))", column(3)),
                    f64::from(group.machines),
                    Kind::Count,
                ),
                sum(4, group.ink_ml, Kind::Amount),
                sum(5, f64::from(group.swaps), Kind::Count),
            ];
            for (block, costs) in [&group.cost, &group.left_cost, &group.taken].into_iter().enumerate() {
                for (n, currency) in self.currencies.iter().enumerate() {
                    let kind = Kind::Money(currency.digits());
                    cells.push(sum(6 + block * money + n, sum_of(costs, *currency), kind));
                }
            }
            rows.push(cells);
        }
    }

    fn forecast_rows(&self, rows: &mut Vec<Vec<Cell>>) {
        let Forecasts::Kept { within, before, after, days_off } = self.report.forecasts else { return };
        let heads =
            ["Forecasts whose time was up", "ended between", "before", "after", "days off on average"];
        rows.push(vec![]);
        rows.push(heads.map(|head| Cell::Head(head.to_owned())).into());
        let row = rows.len() + 1;
        let all = f64::from(within + before + after);
        rows.push(vec![
            Cell::Sum(format!("SUM(B{row}:D{row})"), all, Kind::Count),
            Cell::count(within),
            Cell::count(before),
            Cell::count(after),
            days_off.map_or(Cell::Empty, |days| Cell::Number(days, Kind::Amount)),
        ]);
    }

    pub(super) fn machines(&self) -> Grid {
        let mut heads: Vec<String> =
            ["Machine", "Site", "Model", "Cost centre", "Ink used, ml", "Swaps"].map(str::to_owned).into();
        heads.extend(self.with_currency("Worth of what was used"));
        heads.extend(self.with_currency("Worth of what was left"));
        heads.extend(self.with_currency("Taken from the shelf"));
        let output = heads.len();
        let rest =
            ["Output", "Output unit", "Ink for each, ml", "Figures for", "Answered", "Receptacles replaced"];
        heads.extend(rest.map(str::to_owned));
        heads.push("Print heads replaced".to_owned());
        let mut grid = Grid::list("Machines", heads, &[16.0, 24.0, 34.0, 16.0, 12.0]);
        let mut first = self.supply_rows().0;
        for device in &self.report.devices {
            let row = grid.rows.len() + 1;
            grid.rows.push(self.machine_row(device, (first, row, output)));
            first += device.supplies.len();
        }
        let last = grid.rows.len();
        grid.picture = (last > 1).then(|| Picture {
            title: "Ink used by machine, ml".to_owned(),
            rows: (2, last),
            columns: (0, 4),
            at: (last + 3, 0),
        });
        grid
    }

    /// `first` is the machine's first row among the supplies, `output` the column of its output.
    fn machine_row(&self, device: &DeviceMonth, (first, row, output): (usize, usize, usize)) -> Vec<Cell> {
        let last = first + device.supplies.len().max(1) - 1;
        let range = |column: &str| format!("Supplies!${column}${first}:${column}${last}");
        let total = device.total();
        let ink = format!("SUMIFS({},{},\"consumed\",{},\"ml\")", range("F"), range(ROLE), range(UNIT));
        let mut cells = vec![
            Cell::text(&device.name),
            Cell::text(&device.site),
            device.model.as_ref().map_or(Cell::Empty, Cell::text),
            device.cost_centre.as_ref().map_or(Cell::Empty, Cell::text),
            Cell::Sum(ink, total.ink_ml, Kind::Amount),
            Cell::Sum(format!("SUM({})", range("I")), f64::from(total.swaps), Kind::Count),
        ];
        for (column, costs) in [("M", &total.cost), ("N", &total.left_cost)] {
            for currency in &self.currencies {
                let chosen = format!("{},\"{}\"", range(CURRENCY), currency.code());
                cells.push(Cell::Sum(
                    format!("SUMIFS({},{chosen})", range(column)),
                    sum_of(costs, *currency),
                    Kind::Money(currency.digits()),
                ));
            }
        }
        for currency in &self.currencies {
            cells.push(Cell::Number(sum_of(&device.taken, *currency), Kind::Money(currency.digits())));
        }
        match &device.output {
            Some(made) => {
                cells.push(Cell::units(made.count));
                cells.push(Cell::text(&made.unit));
                let of = format!("{}{row}", letters(output));
                let each = if made.count > 0 { device.ink_ml() / made.count as f64 } else { 0.0 };
                cells.push(Cell::Sum(format!("IF({of}>0,E{row}/{of},0)"), each, Kind::Money(3)));
            }
            None => cells.extend([Cell::Empty, Cell::Empty, Cell::Empty]),
        }
        cells.push(Cell::Number(device.coverage, Kind::Share));
        cells.push(device.availability.map_or(Cell::Empty, |share| Cell::Number(share, Kind::Share)));
        cells.push(Cell::count(device.receptacles_replaced()));
        cells.push(device.heads_replaced.map_or_else(|| Cell::text("not registered"), Cell::count));
        cells
    }

    pub(super) fn supplies(&self) -> Grid {
        let heads = [
            "Machine",
            "Cost centre",
            "Supply",
            "Role",
            "Unit",
            "Used",
            "of it spread",
            "unseen, at most",
            "Swaps",
            "Left in units taken out",
            "Part",
            "Currency",
            "Worth of what was used",
            "Worth of what was left",
        ];
        let mut grid = Grid::list("Supplies", heads.map(str::to_owned), &[16.0, 16.0, 24.0, 11.0, 9.0, 12.0]);
        for device in &self.report.devices {
            let centre = device.cost_centre.as_ref();
            for supply in &device.supplies {
                let mut row = vec![Cell::text(&device.name), centre.map_or(Cell::Empty, Cell::text)];
                row.extend(supply_cells(supply));
                grid.rows.push(row);
            }
        }
        grid
    }

    pub(super) fn shelf(&self) -> Grid {
        let heads = [
            "Part",
            "What",
            "At the start",
            "Received",
            "Issued",
            "Came back",
            "Written off",
            "Counts differed by",
            "At the end",
            "Summed up at the end",
            "Units swapped",
            "Currency",
            "Price",
            "Worth at the start",
            "Worth at the end",
        ];
        let mut grid = Grid::list("Shelf", heads.map(str::to_owned), &[18.0, 22.0, 11.0]);
        for part in &self.report.parts {
            let row = grid.rows.len() + 1;
            let units = &part.units;
            let worth = |minor| part.price.map(|price| crate::domain::part::Price { minor, ..price });
            let mut cells = vec![Cell::text(&part.number), Cell::text(&part.label)];
            let moved =
                [units.start, units.received, units.issued, units.returned, units.written_off, units.counted];
            cells.extend(moved.map(Cell::units));
            let end = format!("C{row}+D{row}-E{row}+F{row}-G{row}+H{row}");
            cells.push(Cell::Sum(end, units.expected_end() as f64, Kind::Count));
            cells.extend([Cell::units(units.end), Cell::count(part.swaps)]);
            cells.push(part.price.map_or(Cell::Empty, |price| Cell::text(price.currency.code())));
            cells.push(Cell::money(part.price));
            cells.push(Cell::money(part.value.and_then(|value| worth(value.start))));
            cells.push(Cell::money(part.value.and_then(|value| worth(value.end))));
            grid.rows.push(cells);
        }
        grid
    }

    pub(super) fn alerts(&self) -> Grid {
        let heads = [
            "Rule",
            "Opened",
            "Of these seen",
            "Half of them within, minutes",
            "Cleared",
            "Half of them within, minutes",
            "The slowest took, minutes",
            "Open at the end",
        ];
        let mut grid = Grid::list("Alerts", heads.map(str::to_owned), &[34.0, 12.0]);
        let minutes =
            |minutes: Option<u64>| minutes.map_or(Cell::Empty, |n| Cell::Number(n as f64, Kind::Count));
        for alert in &self.report.alerts {
            grid.rows.push(vec![
                Cell::text(words::rule(alert.rule)),
                Cell::count(alert.opened),
                Cell::count(alert.seen),
                minutes(alert.median_seen_minutes),
                Cell::count(alert.cleared),
                minutes(alert.median_minutes),
                minutes(alert.slowest_minutes),
                Cell::count(alert.open_at_end),
            ]);
        }
        grid
    }

    pub(super) fn silences(&self) -> Grid {
        let heads = ["Machine", "From", "To", "Hours", "Why"];
        let mut grid = Grid::list("Silences", heads.map(str::to_owned), &[16.0, 17.0, 17.0, 9.0, 60.0]);
        for device in &self.report.devices {
            for gap in &device.gaps {
                let row = grid.rows.len() + 1;
                let local = |at| Cell::Moment(self.zone.to_datetime(at));
                let hours = gap.to.duration_since(gap.from).as_secs_f64() / 3600.0;
                grid.rows.push(vec![
                    Cell::text(&device.name),
                    local(gap.from),
                    local(gap.to),
                    self.hours(gap, row, hours),
                    Cell::text(match &gap.why {
                        Silence::NotAsked => "not asked: the service did not run",
                        Silence::Unanswered(fault) => fault.as_str(),
                    }),
                ]);
            }
        }
        grid
    }

    /// Over a clock change, the clock's times are no measure of the hours.
    fn hours(&self, gap: &crate::domain::month::Gap, row: usize, hours: f64) -> Cell {
        let shown = self.zone.to_datetime(gap.to).duration_since(self.zone.to_datetime(gap.from));
        if (shown.as_secs_f64() / 3600.0 - hours).abs() < 1e-6 {
            Cell::Sum(format!("(C{row}-B{row})*24"), hours, Kind::Amount)
        } else {
            Cell::Number(hours, Kind::Amount)
        }
    }

    pub(super) fn needs(&self) -> Grid {
        let heads = ["Part", "What", "Needed", "On the shelf", "To be bought", "Currency", "Worth"];
        let mut grid = Grid::list("Needed next month", heads.map(str::to_owned), &[18.0, 24.0, 12.0]);
        for need in self.report.needs.iter().flatten() {
            let row = grid.rows.len() + 1;
            grid.rows.push(vec![
                need.part.as_ref().map_or(Cell::Empty, Cell::text),
                Cell::text(&need.label),
                Cell::count(need.units),
                Cell::count(need.on_shelf),
                Cell::Sum(format!("MAX(C{row}-D{row},0)"), f64::from(need.short()), Kind::Count),
                need.cost.map_or(Cell::Empty, |cost| Cell::text(cost.currency.code())),
                Cell::money(need.cost),
            ]);
        }
        grid
    }

    pub(super) fn adjustments(&self) -> Grid {
        let heads = [
            "Month",
            "Machine",
            "Supply",
            "Unit",
            "Used",
            "Spread",
            "Unseen",
            "Swaps",
            "Left in units taken out",
            "Currency",
            "Worth",
        ];
        let mut grid = Grid::list("Adjustments", heads.map(str::to_owned), &[12.0, 16.0, 24.0, 9.0, 12.0]);
        let amount = |amount| Cell::Number(amount, Kind::Amount);
        for change in &self.report.adjustments {
            grid.rows.push(vec![
                Cell::text(change.about.to_string()),
                Cell::text(&change.device),
                Cell::text(&change.label),
                Cell::text(change.measure.word()),
                amount(change.used),
                amount(change.spread),
                amount(change.unseen),
                Cell::units(change.swaps),
                amount(change.left_in_swapped),
                change.cost.map_or(Cell::Empty, |cost| Cell::text(cost.currency.code())),
                Cell::money(change.cost),
            ]);
        }
        grid
    }
}

fn supply_cells(supply: &SupplyMonth) -> Vec<Cell> {
    let amount = |amount| Cell::Number(amount, Kind::Amount);
    vec![
        Cell::text(&supply.label),
        Cell::text(role(supply.role)),
        Cell::text(supply.measure.word()),
        amount(supply.used),
        amount(supply.spread),
        amount(supply.unseen),
        Cell::count(supply.swaps),
        amount(supply.left_in_swapped),
        supply.part.as_ref().map_or(Cell::Empty, Cell::text),
        supply.cost.map_or(Cell::Empty, |cost| Cell::text(cost.currency.code())),
        Cell::money(supply.cost),
        Cell::money(supply.left_cost),
    ]
}
