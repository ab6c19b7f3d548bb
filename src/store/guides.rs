//! Guides to a swap, version by version.

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::{Result, Store, StoreError, Work};
use crate::domain::guide::Guide;
use crate::domain::ids::GuideId;
use crate::domain::part::PartKind;

/// One version of a guide.
#[derive(Debug, Clone, PartialEq)]
pub struct GuideRow {
    /// Its identity.
    pub id: GuideId,
    /// For what kind of part.
    pub kind: PartKind,
    /// For which model; none: for all that have none of their own.
    pub model: Option<String>,
    /// Its steps.
    pub guide: Guide,
    /// Who wrote it.
    pub who: String,
    /// Why.
    pub why: String,
    /// When.
    pub written_at: Timestamp,
}

impl Store {
    /// Every version of every guide, the latest first.
    ///
    /// # Errors
    /// If the store cannot be reached, or holds what is no guide.
    pub async fn guides(&self) -> Result<Vec<GuideRow>> {
        let rows = sqlx::query!("select * from guide order by id desc").fetch_all(&self.pool).await?;
        rows.into_iter()
            .map(|row| {
                Ok(GuideRow {
                    id: GuideId(row.id),
                    kind: part_kind(&row.kind)?,
                    model: row.model,
                    guide: guide(&row.steps)?,
                    who: row.who,
                    why: row.why,
                    written_at: row.written_at.to_jiff(),
                })
            })
            .collect()
    }

    /// The guide that counts for a kind of part at a model; `None` where nobody wrote one.
    ///
    /// # Errors
    /// If the store cannot be reached, or holds what is no guide.
    pub async fn guide_for(
        work: &mut Work,
        kind: PartKind,
        model: Option<&str>,
    ) -> Result<Option<(GuideId, Guide)>> {
        let row = sqlx::query!(
            "select id, steps from guide where kind = $1 and (model is null or model = $2)
             order by model is null, id desc limit 1",
            kind.word(),
            model
        )
        .fetch_optional(&mut **work)
        .await?;
        row.map(|row| Ok((GuideId(row.id), guide(&row.steps)?))).transpose()
    }

    /// Adds a version of a guide.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn add_guide(
        work: &mut Work,
        (kind, model): (PartKind, Option<&str>),
        guide: &Guide,
        (who, why): (&str, &str),
        at: Timestamp,
    ) -> Result<GuideId> {
        let id = sqlx::query_scalar!(
            "insert into guide (kind, model, steps, who, why, written_at) values ($1, $2, $3, $4, $5, $6)
             returning id",
            kind.word(),
            model,
            guide.to_string(),
            who,
            why,
            at.to_sqlx()
        )
        .fetch_one(&mut **work)
        .await?;
        Ok(GuideId(id))
    }
}

pub(super) fn part_kind(word: &str) -> Result<PartKind> {
    PartKind::from_word(word)
        .ok_or_else(|| StoreError::Unknown { what: "kind of part", value: word.to_owned() })
}

pub(super) fn guide(text: &str) -> Result<Guide> {
    text.parse().map_err(|_| StoreError::Unknown { what: "guide", value: text.chars().take(40).collect() })
}
