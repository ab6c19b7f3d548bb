//! All that a database holds, in a form that two databases can be compared by.

use std::collections::BTreeMap;

use sqlx::PgPool;

/// Every table's rows as sorted JSON texts. Numbers that PostgreSQL gives out count for nothing: what they
/// point to stands in their place; of what is sealed, which is never sealed the same twice, only that it is. The keys for
/// it are each database's own.
pub(crate) async fn contents(pool: &PgPool) -> BTreeMap<String, Vec<String>> {
    let tables: Vec<String> = sqlx::query_scalar(
        "select table_name::text from information_schema.tables
         where table_schema = 'public' and table_name not in ('_sqlx_migrations', 'seal_key')",
    )
    .fetch_all(pool)
    .await
    .unwrap();
    assert!(tables.len() > 10, "{tables:?}");
    let mut contents = BTreeMap::new();
    for table in tables {
        let sql = format!(
            "select ((select jsonb_object_agg(key, case when value #>> '{{}}' like '\\\\x01%' then '\"sealed\"' else value end)
                      from jsonb_each(to_jsonb(t) - array['id', 'slot_id', 'device_id', 'install_id', 'site_id',
                                                          'credential_id']))
                     || jsonb_build_object('of', d.name, 'supply', s.supply_index, 'unit', i.from_at))::text
             from {table} t
             left join slot s on s.id = (to_jsonb(t)->>'slot_id')::bigint
             left join device d on d.id = coalesce(s.device_id, (to_jsonb(t)->>'device_id')::bigint)
             left join install i on i.id = (to_jsonb(t)->>'install_id')::bigint
             order by 1"
        );
        let rows = sqlx::query_scalar(sqlx::AssertSqlSafe(sql)).fetch_all(pool).await.unwrap();
        contents.insert(table, rows);
    }
    contents
}

/// Fails with the first rows that differ.
pub(crate) fn assert_same(one: &BTreeMap<String, Vec<String>>, other: &BTreeMap<String, Vec<String>>) {
    assert_eq!(one.keys().collect::<Vec<_>>(), other.keys().collect::<Vec<_>>());
    for (table, rows) in one {
        let (ours, theirs) = (rows, &other[table]);
        let differ: Vec<String> = ours
            .iter()
            .filter(|row| !theirs.contains(row))
            .map(|row| format!("- {row}"))
            .chain(theirs.iter().filter(|row| !ours.contains(row)).map(|row| format!("+ {row}")))
            .collect();
        assert!(differ.is_empty() && ours.len() == theirs.len(), "{table} differs:\n{}", differ.join("\n"));
    }
}
