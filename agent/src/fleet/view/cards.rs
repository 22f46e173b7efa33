//! Cards that were tested on a bench: found by serial number, label or address.

use serde::Serialize;
use tokio_postgres::Row;
use turnback_core::document::{Document, card_test::CardTest};
use uuid::Uuid;

use super::{Conditions, View, beginning, ms, runs};
use crate::fleet::error::FleetError;

/// The test of a card in a list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Card {
    /// Id of the card test.
    pub test: String,
    /// Site of the bench.
    pub site: String,
    /// The bench's machine.
    pub machine: String,
    /// Label of the card.
    pub label: String,
    /// Its lot.
    pub lot: Option<String>,
    /// Its serial number.
    pub serial: Option<String>,
    /// Addresses burnt into it, one a port.
    pub addresses: Vec<String>,
    /// Its grade, a word.
    pub grade: String,
    /// When the test was changed last, ms since 1970-01-01 UTC.
    pub changed_ms: i64,
}

const COLUMNS: &str = "c.id, m.site, m.name AS machine, c.label, c.lot, c.serial, c.addresses, c.grade, c.changed_at";

impl Card {
    fn of(row: &Row) -> Self {
        Self {
            test: row.get::<_, Uuid>("id").to_string(),
            site: row.get("site"),
            machine: row.get("machine"),
            label: row.get("label"),
            lot: row.get("lot"),
            serial: row.get("serial"),
            addresses: row.get("addresses"),
            grade: row.get("grade"),
            changed_ms: ms(row.get("changed_at")),
        }
    }
}

impl View {
    /// Card tests, the newest first: those whose serial number or label begins so, or that have this address; all of
    /// them if `q` is blank.
    ///
    /// # Errors
    /// What the database says.
    pub async fn cards(&self, q: &str, limit: u32) -> Result<Vec<Card>, FleetError> {
        let mut conditions = Conditions::default();
        if !q.trim().is_empty() {
            let (word, whole) = (conditions.value(beginning(q)), conditions.value(vec![q.trim().to_lowercase()]));
            conditions.sql.push_str(&format!(
                " AND c.id IN (SELECT id FROM card_test WHERE lower(serial) LIKE {word}
                 UNION SELECT id FROM card_test WHERE lower(label) LIKE {word}
                 UNION SELECT id FROM card_test WHERE addresses @> {whole})"
            ));
        }
        self.card_list(conditions, limit).await
    }

    /// Tests of the card that has this address.
    ///
    /// # Errors
    /// What the database says.
    pub async fn cards_of_address(&self, address: &str, limit: u32) -> Result<Vec<Card>, FleetError> {
        let mut conditions = Conditions::default();
        conditions.and("c.addresses @> $?", vec![address.to_owned()]);
        self.card_list(conditions, limit).await
    }

    async fn card_list(&self, conditions: Conditions, limit: u32) -> Result<Vec<Card>, FleetError> {
        // Of several machines that hold a test, the one that changed it last.
        let sql = format!(
            "SELECT {COLUMNS} FROM card_test c JOIN machine m ON m.id = c.machine_id WHERE NOT EXISTS (
                SELECT FROM card_test later WHERE later.id = c.id
                AND (later.changed_at, later.machine_id) > (c.changed_at, c.machine_id)){}
             ORDER BY c.changed_at DESC LIMIT {limit}",
            conditions.sql
        );
        Ok(self.ask("card tests", &sql, &conditions.values()).await?.iter().map(Card::of).collect())
    }

    /// One card test as it came; none if there is no such test.
    ///
    /// # Errors
    /// What the database says; [`FleetError::Unreadable`].
    pub async fn card(&self, test: Uuid) -> Result<Option<Box<CardTest>>, FleetError> {
        let sql = "SELECT document FROM card_test WHERE id = $1 ORDER BY changed_at DESC, machine_id DESC LIMIT 1";
        let rows = self.ask("a card test", sql, &[&test]).await?;
        let Some(row) = rows.first() else { return Ok(None) };
        match runs::document(row.get(0), test)? {
            Document::CardTest(card) => Ok(Some(card)),
            other => Err(runs::unreadable(test, format!("it is a {}", other.kind().name()))),
        }
    }
}
