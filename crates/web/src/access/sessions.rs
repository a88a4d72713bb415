//! Sessions in memory. Ended ones are forgotten, and a session that was ended does not come back by a
//! request that was under way.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use async_trait::async_trait;
use tower_sessions::{
    SessionStore,
    cookie::time::OffsetDateTime,
    session::{Id, Record},
    session_store::Result,
};

/// The sessions of this program. Clones share them.
#[derive(Debug, Clone, Default)]
pub struct Sessions(Arc<Mutex<HashMap<Id, Record>>>);

impl Sessions {
    fn all(&self) -> MutexGuard<'_, HashMap<Id, Record>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn lasts(record: &Record) -> bool {
    record.expiry_date > OffsetDateTime::now_utc()
}

#[async_trait]
impl SessionStore for Sessions {
    async fn create(&self, record: &mut Record) -> Result<()> {
        let mut all = self.all();
        all.retain(|_, record| lasts(record));
        while all.contains_key(&record.id) {
            record.id = Id::default();
        }
        all.insert(record.id, record.clone());
        Ok(())
    }

    async fn save(&self, record: &Record) -> Result<()> {
        if let Some(kept) = self.all().get_mut(&record.id) {
            *kept = record.clone();
        }
        Ok(())
    }

    async fn load(&self, id: &Id) -> Result<Option<Record>> {
        Ok(self.all().get(id).filter(|record| lasts(record)).cloned())
    }

    async fn delete(&self, id: &Id) -> Result<()> {
        self.all().remove(id);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tower_sessions::cookie::time::Duration;

    // Own rules, by construction.
    #[tokio::test]
    async fn an_ended_session_does_not_come_back_and_old_ones_are_forgotten() {
        let store = Sessions::default();
        let record = |minutes| Record {
            id: Id::default(),
            data: HashMap::default(),
            expiry_date: OffsetDateTime::now_utc() + Duration::minutes(minutes),
        };
        let (mut old, mut ended, mut new) = (record(-1), record(30), record(30));
        store.create(&mut old).await.expect("memory");
        assert_eq!(store.load(&old.id).await.expect("memory"), None);
        store.create(&mut ended).await.expect("memory");
        assert_eq!(store.load(&ended.id).await.expect("memory"), Some(ended.clone()));
        store.delete(&ended.id).await.expect("memory");
        store.save(&ended).await.expect("memory");
        assert_eq!(store.load(&ended.id).await.expect("memory"), None);
        store.create(&mut new).await.expect("memory");
        assert_eq!(store.all().len(), 1);
    }
}
