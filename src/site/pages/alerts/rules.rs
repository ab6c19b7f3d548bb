//! The rules: what each goes by, forms that change it, and what a change would have told.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use jiff::SignedDuration;
use jiff::tz::TimeZone;

use super::AlertRow;
use crate::domain::alert::rule::Gauge;
use crate::domain::alert::ruleset::{Patch, Scope, Setting, has_marks};
use crate::domain::alert::{Grade, Rule, Subject};
use crate::domain::ids::{DeviceId, SlotId};
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, keep};
use crate::site::pages::shelf::part_href;
use crate::site::pages::{Moment, Page, Section, html};
use crate::site::source::Source;
use crate::site::{format, words};
use crate::usecase::rules::{PAST_DAYS, Rehearsed, RuleLine, RuleRefused, RuleView, TellingLine};

/// Nothing has to last longer than a week before it is told.
const LONGEST_MINUTES: u32 = 7 * 24 * 60;
/// No more moments than these are listed; the rest is counted.
const LISTED: usize = 100;

struct RuleRow {
    name: &'static str,
    href: String,
    goes_by: String,
    changes: Vec<String>,
}

#[derive(Template)]
#[template(path = "pages/rules.html")]
struct RulesPage {
    page: Page,
    rows: Vec<RuleRow>,
}

/// A moment at which there would have been an alert.
struct TellingRow {
    at: Moment,
    about: String,
    href: String,
    /// "at 70 % full, cleared after 3 days".
    how: String,
}

/// What a change would have told.
struct Preview {
    heading: String,
    /// What the rule would go by.
    goes_by: String,
    rows: Vec<TellingRow>,
    more: usize,
    /// From when on it could be worked out, if not from the beginning.
    since: Option<String>,
    /// How much of it was looked at, if not all.
    left_out: Option<String>,
}

#[derive(Template)]
#[template(path = "pages/rule.html")]
struct RulePage {
    page: Page,
    name: &'static str,
    goes_by: String,
    usual: Option<String>,
    changes: Vec<(String, String, String)>,
    preview: Option<Preview>,
    form: FormView,
    reset: Option<FormView>,
    told_heading: String,
    told: Vec<AlertRow>,
    done: Option<&'static str>,
    failed: bool,
}

pub(crate) async fn list<S: Source>(State(source): State<S>) -> Result<Response, SiteError> {
    let row = |line: &RuleLine| RuleRow {
        name: words::rule(line.rule),
        href: href(line.rule),
        goes_by: goes_by(line.rule, &line.everywhere),
        changes: line
            .changes
            .iter()
            .filter(|change| change.scope != Scope::Everywhere)
            .map(|change| {
                format!("{}: {}", format::capital(&change.place), goes_by(line.rule, &change.setting))
            })
            .collect(),
    };
    let rows = source.rules().await?.iter().map(row).collect();
    let page = RulesPage { page: Page::new(&source, Section::Alerts, "Rules"), rows };
    Ok(html(&page)?.into_response())
}

fn href(rule: Rule) -> String {
    format!("/alerts/rules/{}", rule.word())
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    word: Result<Path<String>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let rule = named(word.map(|Path(word)| word))?;
    let done = match query.as_deref() {
        Some("kept") => Some("The rule is changed. What is open or quiet by it follows within a minute."),
        Some("reset") => Some("The change is taken back."),
        _ => None,
    };
    page(&source, rule, (done, None), &Tried::default()).await
}

fn named(word: Result<String, PathRejection>) -> Result<Rule, SiteError> {
    let word = word.map_err(|_| SiteError::NoSuchPage)?;
    Rule::from_word(&word).ok_or(SiteError::NoSuchPage)
}

/// Tries a change on the past, keeps it, or takes one back.
pub(crate) async fn take<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, String)>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path((word, form)) = address.map_err(|_| SiteError::NoSuchPage)?;
    let rule = named(Ok(word))?;
    let fields = Fields::of(sent)?;
    let faults = match form.as_str() {
        "reset" => match scope(fields.get("scope")) {
            Some(scope) => {
                source.reset_rule(rule, scope).await?;
                return Ok(Redirect::to(&format!("{}?reset", href(rule))).into_response());
            }
            None => vec![Fault::new("scope", "Choose one.")],
        },
        "change" if fields.get("do") == "keep" => match (patch(rule, &fields), fields.who()) {
            (Ok(patch), Ok(who)) => match source.keep_rule(patch, who).await? {
                Ok(()) => return Ok(Redirect::to(&format!("{}?kept", href(rule))).into_response()),
                Err(refused) => vec![fault(&refused)],
            },
            (patch, who) => patch.err().into_iter().flatten().chain(who.err()).collect(),
        },
        "change" => match patch(rule, &fields) {
            Ok(patch) => match source.rehearse(patch.clone()).await? {
                Ok(told) => {
                    let tried = Tried { form, fields, faults: Vec::new() };
                    return page(&source, rule, (None, Some((&patch, told))), &tried).await;
                }
                Err(refused) => vec![fault(&refused)],
            },
            Err(faults) => faults,
        },
        _ => return Err(SiteError::NoSuchPage),
    };
    let mut response = page(&source, rule, (None, None), &Tried { form, fields, faults }).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

fn fault(refused: &RuleRefused) -> Fault {
    let field = match refused {
        RuleRefused::Marks(_) => "clear_at",
        RuleRefused::NoSuchPlace => "scope",
    };
    Fault::new(field, format!("{}.", format::capital(&refused.to_string())))
}

/// The change that a form describes: everything that can be set, as it is to be.
fn patch(rule: Rule, fields: &Fields) -> Result<Patch, Vec<Fault>> {
    let mut faults = Vec::new();
    let choose = |name: &'static str| Fault::new(name, "Choose one.");
    let scope = keep(scope(fields.get("scope")).ok_or_else(|| choose("scope")), &mut faults);
    let on = match fields.get("on") {
        "on" => Ok(true),
        "off" => Ok(false),
        _ => Err(choose("on")),
    };
    let on = keep(on, &mut faults);
    let grade = keep(Grade::from_word(fields.get("grade")).ok_or_else(|| choose("grade")), &mut faults);
    let number = |name: &'static str| {
        let text = fields.get(name).replace(',', ".");
        let number = text.parse::<f64>().ok().filter(|number| number.is_finite());
        number.ok_or_else(|| Fault::new(name, "Write a number, such as 70 or 2.5."))
    };
    let marks = if has_marks(rule) {
        let (open_at, clear_at) =
            (keep(number("open_at"), &mut faults), keep(number("clear_at"), &mut faults));
        open_at.zip(clear_at).map(Some)
    } else {
        Some(None)
    };
    let minutes = fields.whole("lasting").ok().filter(|minutes| *minutes <= LONGEST_MINUTES);
    let text = format!("Write whole minutes, up to {LONGEST_MINUTES}.");
    let minutes = keep(minutes.ok_or_else(|| Fault::new("lasting", text)), &mut faults);
    let all = || {
        let lasting = Some(SignedDuration::from_mins(i64::from(minutes?)));
        Some(Patch {
            rule,
            scope: scope.clone()?,
            on: Some(on?),
            grade: Some(grade?),
            marks: marks?,
            lasting,
        })
    };
    all().ok_or(faults)
}

/// A scope as a form sends it.
fn scope(word: &str) -> Option<Scope> {
    let (kind, which) = word.split_once(':').unwrap_or((word, ""));
    let number = || which.parse().ok();
    match kind {
        "everywhere" => Some(Scope::Everywhere),
        "site" => Some(Scope::Site(number()?)),
        "model" => Some(Scope::Model(which.to_owned())).filter(|_| !which.is_empty()),
        "device" => Some(Scope::Device(DeviceId(number()?))),
        "slot" => Some(Scope::Slot(SlotId(number()?))),
        _ => None,
    }
}

fn scope_word(scope: &Scope) -> String {
    let word = scope.word();
    match scope {
        Scope::Everywhere => word.to_owned(),
        Scope::Site(site) => format!("{word}:{site}"),
        Scope::Model(model) => format!("{word}:{model}"),
        Scope::Device(device) => format!("{word}:{device}"),
        Scope::Slot(slot) => format!("{word}:{slot}"),
    }
}

async fn page<S: Source>(
    source: &S,
    rule: Rule,
    (done, tried_out): (Option<&'static str>, Option<(&Patch, Rehearsed)>),
    tried: &Tried,
) -> Result<Response, SiteError> {
    let view = source.rule(rule).await?;
    let (now, zone) = (source.now(), source.zone());
    let line = &view.line;
    let name = words::rule(rule);
    let times = match view.told.len() {
        0 => format!("never told in the last {PAST_DAYS} days"),
        n => format!("told {} in the last {PAST_DAYS} days", times(n)),
    };
    let page = RulePage {
        page: Page::new(source, Section::Alerts, name),
        name,
        goes_by: goes_by(rule, &line.everywhere),
        usual: (line.everywhere != line.built_in).then(|| goes_by(rule, &line.built_in)),
        changes: line
            .changes
            .iter()
            .map(|change| {
                let when = format::moment(change.changed_at, &zone);
                let by = format!("by {}, {when}", change.changed_by);
                (format::capital(&change.place), goes_by(rule, &change.setting), by)
            })
            .collect(),
        preview: tried_out.map(|(patch, told)| preview(patch, &view, &told, &zone)),
        form: change_form(&view, tried),
        reset: reset_form(&view, tried),
        told_heading: format::capital(&times),
        told: view.told.iter().take(LISTED).map(|line| AlertRow::of(line, now, &zone)).collect(),
        done,
        failed: !tried.faults.is_empty(),
    };
    Ok(html(&page)?.into_response())
}

/// "once", "never", "12 times".
fn times(n: usize) -> String {
    match n {
        0 => "never".to_owned(),
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        n => format!("{} times", format::number_word(n)),
    }
}

fn preview(patch: &Patch, view: &RuleView, told: &Rehearsed, zone: &TimeZone) -> Preview {
    let rule = patch.rule;
    let row = |telling: &TellingLine| {
        let lasted = match telling.cleared_at {
            Some(at) => format!("cleared after {}", format::span(telling.opened_at, at)),
            None => "open still".to_owned(),
        };
        TellingRow {
            at: Moment::new(telling.opened_at, zone),
            about: format::capital(&telling.about),
            href: telling_href(telling),
            how: format!("at {}, {lasted}", figure(rule, telling.figure)),
        }
    };
    let place = view.places.iter().find(|(scope, _)| *scope == patch.scope);
    let place = place.map_or("there", |(_, place)| place.as_str());
    let often = times(told.tellings.len());
    let since = |at| {
        let moment = format::moment(at, zone);
        format!("What this rule goes by is kept since {moment}: it is counted from then on.")
    };
    let (looked_at, all) = (told.looked_at, told.looked_at + told.left_out);
    let left_out = format!(
        "The past of so many places is too much to look through at once: it was for {looked_at} of {all}. Choose a \
         narrower place to see the others."
    );
    Preview {
        heading: format!("With this rule, the last {PAST_DAYS} days would have told you {often}, {place}"),
        goes_by: goes_by(rule, &patch.on(view.line.everywhere)),
        rows: told.tellings.iter().take(LISTED).map(row).collect(),
        more: told.tellings.len().saturating_sub(LISTED),
        since: told.since.map(since),
        left_out: (told.left_out > 0).then_some(left_out),
    }
}

/// The page of what an alert would have been about.
fn telling_href(telling: &TellingLine) -> String {
    match (telling.subject, &telling.part) {
        (_, Some(number)) => part_href(number),
        (Subject::Slot(device, slot), None) => format!("/machines/{device}#supply-{slot}"),
        (Subject::Device(device) | Subject::Head(device, _), None) => format!("/machines/{device}"),
        (Subject::Part(_), None) => "/shelf".to_owned(),
    }
}

/// A figure with what it is counted in: "70 % full".
fn figure(rule: Rule, figure: f64) -> String {
    let number = number(figure);
    let s = if number == "1" { "" } else { "s" };
    match rule.gauge() {
        Gauge::PercentFull => format!("{number}\u{a0}% full"),
        Gauge::PercentLeft => format!("{number}\u{a0}% left"),
        Gauge::WorkingDaysAhead => format!("{number} working day{s} ahead"),
        Gauge::DaysAhead => format!("{number} day{s} ahead"),
        Gauge::DaysPast => format!("{number} day{s} late"),
        Gauge::Hours => format!("{number} hour{s}"),
        Gauge::Times => format!("{number} times the usual"),
        Gauge::Said => "once it is so".to_owned(),
    }
}

/// A number as short as it can be written with two decimals.
fn number(figure: f64) -> String {
    format!("{}", (figure * 100.0).round() / 100.0)
}

/// What a rule goes by, in a sentence or two.
fn goes_by(rule: Rule, setting: &Setting) -> String {
    if !setting.on {
        return "Switched off.".to_owned();
    }
    let grade = setting.grade.word();
    let minutes = setting.lasting.as_mins();
    let lasting = match minutes {
        0 => String::new(),
        minutes => format!(", once that has lasted for {minutes} minutes"),
    };
    if rule.gauge() == Gauge::Said {
        return format!("Opens as soon as it is so{lasting}. Severity: {grade}.");
    }
    let side = if rule.gauge().rises() { "below" } else { "above" };
    format!(
        "Opens at {}{lasting}, and clears {side} {}. Severity: {grade}.",
        figure(rule, setting.open_at),
        number(setting.clear_at)
    )
}

fn change_form(view: &RuleView, tried: &Tried) -> FormView {
    let (rule, now) = (view.line.rule, &view.line.everywhere);
    let own = |value: &str, text: &str| (value.to_owned(), text.to_owned());
    let mut switch = vec![own("on", "on"), own("off", "off")];
    if !now.on {
        switch.reverse();
    }
    let mut grades = Grade::ALL.map(|grade| own(grade.word(), grade.word())).to_vec();
    grades.sort_by_key(|(value, _)| *value != now.grade.word());
    let places = view.places.iter().map(|(scope, place)| (scope_word(scope), place.clone())).collect();
    let mut form = FormView::new(format!("{}/change", href(rule)), ("change", "Change it", "Keep it"), tried)
        .choice(("scope", "Where", "The narrowest place that is changed has the last word."), places, tried)
        .choice(("on", "The rule is", ""), switch, tried);
    if has_marks(rule) {
        let unit = figure(rule, 0.0).trim_start_matches('0').trim().to_owned();
        form = form
            .line(("open_at", "Opens at", &format!("In {unit}.")), "decimal", &number(now.open_at), tried)
            .line(
                ("clear_at", "Clears past", "The distance keeps a figure that wavers from telling twice."),
                "decimal",
                &number(now.clear_at),
                tried,
            );
    }
    let minutes = now.lasting.as_mins().to_string();
    form.line(("lasting", "Once it has lasted for", "In minutes; 0 for at once."), "numeric", &minutes, tried)
        .choice(("grade", "Severity", ""), grades, tried)
        .who("Only to keep it.", tried)
        .unsigned(tried)
}

fn reset_form(view: &RuleView, tried: &Tried) -> Option<FormView> {
    let rule = view.line.rule;
    let changed = view.line.changes.iter().map(|change| (scope_word(&change.scope), change.place.clone()));
    let changed: Vec<_> = changed.collect();
    if changed.is_empty() {
        return None;
    }
    let title = "Take a change back";
    let form = FormView::new(format!("{}/reset", href(rule)), ("reset", title, "Take it back"), tried);
    Some(form.choice(("scope", "Where", ""), changed, tried).unsigned(tried))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rule_is_told_in_a_sentence_and_a_scope_is_read_as_it_was_written() {
        let told = |rule: Rule| goes_by(rule, &rule.usual());
        assert_eq!(
            told(Rule::WasteOrderPoint),
            "Opens at 70\u{a0}% full, and clears below 65. Severity: warning."
        );
        assert_eq!(told(Rule::LowSupply), "Opens at 10\u{a0}% left, and clears above 15. Severity: warning.");
        assert_eq!(told(Rule::ReplaceNow), "Opens as soon as it is so. Severity: critical.");
        assert!(told(Rule::DeviceError).contains("once that has lasted for 15 minutes"));
        let off = Setting { on: false, ..Rule::Dark.usual() };
        assert_eq!(goes_by(Rule::Dark, &off), "Switched off.");
        let model = Scope::Model("Loft 44: wide".to_owned());
        for known in
            [Scope::Everywhere, Scope::Site(2), model, Scope::Device(DeviceId(3)), Scope::Slot(SlotId(4))]
        {
            assert_eq!(scope(&scope_word(&known)), Some(known));
        }
        for wrong in ["", "device:x", "model:", "planet:1", "slot"] {
            assert_eq!(scope(wrong), None, "{wrong}");
        }
    }
}
