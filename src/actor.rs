//! Who acts: set where somebody comes in, read where a change is written down and where a page is made.
//!
//! It goes along with the task and not through every call between a form and the store, so that no change can be
//! forgotten: [`crate::store::Store::begin`] tells the database who acts, and triggers there write down the change.

use std::sync::Arc;

use crate::domain::access::Role;
use crate::domain::ids::PersonId;

/// Somebody who acts.
#[derive(Clone)]
pub struct Actor {
    name: Arc<str>,
    role: Role,
    person: Option<PersonId>,
    /// What the forms of a visit are signed with.
    form_key: Option<[u8; 32]>,
}

impl std::fmt::Debug for Actor {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Actor({}, {})", self.name, self.role)
    }
}

impl Actor {
    /// Somebody of whom nothing is known but a way in, such as "the command line": may do everything.
    #[must_use]
    pub fn unnamed(way: &str) -> Self {
        Self { name: way.into(), role: Role::Administrator, person: None, form_key: None }
    }

    /// A person, with what the role of this visit allows.
    #[must_use]
    pub fn person(id: PersonId, name: &str, role: Role) -> Self {
        Self { name: name.into(), role, person: Some(id), form_key: None }
    }

    /// With the key that the forms of the visit are signed with.
    #[must_use]
    pub fn with_form_key(mut self, key: [u8; 32]) -> Self {
        self.form_key = Some(key);
        self
    }

    /// The name that a change is written down under.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What the actor may do.
    #[must_use]
    pub fn role(&self) -> Role {
        self.role
    }

    /// Which person it is; `None` where people are not told apart.
    #[must_use]
    pub fn id(&self) -> Option<PersonId> {
        self.person
    }

    /// What the forms of the visit are signed with.
    #[must_use]
    pub fn form_key(&self) -> Option<&[u8; 32]> {
        self.form_key.as_ref()
    }
}

tokio::task_local! {
    static ACTOR: Actor;
}

/// Does work on behalf of somebody.
pub async fn acting<T>(actor: Actor, work: impl Future<Output = T>) -> T {
    ACTOR.scope(actor, work).await
}

/// On whose behalf the present task works; `None` for the service's own work.
#[must_use]
pub fn current() -> Option<Actor> {
    ACTOR.try_with(Actor::clone).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn work_knows_on_whose_behalf_it_is_done() {
        assert!(current().is_none());
        let actor = Actor::person(PersonId(3), "Ida", Role::Operator).with_form_key([7; 32]);
        assert!(!format!("{actor:?}").contains('7'));
        let seen = acting(actor, async { current().map(|actor| actor.name().to_owned()) }).await;
        assert_eq!(seen.as_deref(), Some("Ida"));
        assert!(current().is_none());
    }
}
