//! The bodies of the record kinds, derived from what each kind stores: what makes one, what changes one, what is
//! answered, and a page of them.

use std::borrow::Cow;

use domain::sync::record::Voided;
use domain::time::Timestamp;
use domain::wire::check_reading::CheckReadingBody;
use domain::wire::item::ItemBody;
use domain::wire::mass::ItemMass;
use domain::wire::scale::ScaleBody;
use domain::wire::sitting::SittingBody;
use domain::wire::weighing::WeighingBody;
use utoipa::openapi::schema::{
    AdditionalProperties, Array, ArrayBuilder, ArrayItems, Object, ObjectBuilder, OneOfBuilder, Schema,
    SchemaType, Type,
};
use utoipa::openapi::{Ref, RefOr};
use utoipa::{PartialSchema, ToSchema};

type Schemas = Vec<(String, RefOr<Schema>)>;

fn object(schema: RefOr<Schema>) -> Object {
    match schema {
        RefOr::T(Schema::Object(object)) => object,
        // Every body is a struct with named fields.
        _ => ObjectBuilder::new().build(),
    }
}

fn merge(into: &mut Object, from: Object) {
    into.properties.extend(from.properties);
    for name in from.required {
        if !into.required.contains(&name) {
            into.required.push(name);
        }
    }
}

fn or_null(schema: RefOr<Schema>) -> RefOr<Schema> {
    let null = ObjectBuilder::new().schema_type(Type::Null).build();
    RefOr::T(Schema::OneOf(OneOfBuilder::new().item(null).item(schema).build()))
}

fn create<T: ToSchema>() -> Object {
    let mut body = object(T::schema());
    body.properties.insert("id".into(), or_null(domain::openapi::uuid_v7()));
    // Whoever does not say when it was observed has just observed it.
    body.required.retain(|name| name != "observed_at");
    body.additional_properties = Some(Box::new(AdditionalProperties::FreeForm(false)));
    body
}

fn update<T: ToSchema>() -> Object {
    let mut body = object(T::schema());
    for (name, schema) in &mut body.properties {
        if !body.required.contains(name) {
            *schema = or_null(schema.clone());
        }
    }
    body.required.clear();
    body.additional_properties = Some(Box::new(AdditionalProperties::FreeForm(false)));
    body
}

fn view<T: ToSchema>(fact: bool, derived: Option<Object>) -> Object {
    let mut body = object(T::schema());
    body.additional_properties = None;
    for (name, schema) in [
        ("id", domain::openapi::uuid_v7()),
        (
            "version",
            ObjectBuilder::new()
                .schema_type(Type::Integer)
                .description(Some("the number of its last change"))
                .into(),
        ),
        ("created_by", domain::openapi::uuid_v7()),
        ("recorded_at", Timestamp::schema()),
    ] {
        body.properties.insert(name.into(), schema);
        body.required.push(name.into());
    }
    if fact {
        body.properties.insert("recorded_by".into(), domain::openapi::uuid_v7());
        body.properties.insert("voided".into(), RefOr::Ref(Ref::from_schema_name("Voided")));
        let suspect = ObjectBuilder::new()
            .schema_type(Type::Boolean)
            .description(Some("its time lies so far ahead that no calculation uses it"));
        body.properties.insert("time_suspect".into(), suspect.into());
    }
    if let Some(derived) = derived {
        merge(&mut body, derived);
    }
    body
}

fn list(view: &str) -> Object {
    let items: Array = ArrayBuilder::new()
        .items(ArrayItems::RefOrSchema(Box::new(RefOr::Ref(Ref::from_schema_name(view)))))
        .build();
    let cursor = ObjectBuilder::new()
        .schema_type(SchemaType::from_iter([Type::String, Type::Null]))
        .description(Some("where the next page begins; null at the end"));
    ObjectBuilder::new()
        .property("items", Schema::Array(items))
        .property("next_cursor", cursor)
        .required("items")
        .required("next_cursor")
        .build()
}

macro_rules! body {
    ($(#[$doc:meta])* $name:ident, $schema:expr, $($part:ty),*) => {
        $(#[$doc])*
        #[derive(Debug)]
        pub struct $name;

        impl PartialSchema for $name {
            fn schema() -> RefOr<Schema> {
                RefOr::T(Schema::Object($schema))
            }
        }

        impl ToSchema for $name {
            fn name() -> Cow<'static, str> {
                Cow::Borrowed(stringify!($name))
            }

            fn schemas(schemas: &mut Schemas) {
                $(<$part>::schemas(schemas);)*
                schemas.push(("Voided".into(), Voided::schema()));
            }
        }
    };
}

macro_rules! list_body {
    ($(#[$doc:meta])* $name:ident, $view:ident) => {
        $(#[$doc])*
        #[derive(Debug)]
        pub struct $name;

        impl PartialSchema for $name {
            fn schema() -> RefOr<Schema> {
                RefOr::T(Schema::Object(list(stringify!($view))))
            }
        }

        impl ToSchema for $name {
            fn name() -> Cow<'static, str> {
                Cow::Borrowed(stringify!($name))
            }

            fn schemas(schemas: &mut Schemas) {
                schemas.push((stringify!($view).into(), $view::schema()));
                $view::schemas(schemas);
            }
        }
    };
}

body!(/** An item to make. */ CreateItem, create::<ItemBody>(), ItemBody);
body!(/** Changes to an item. */ UpdateItem, update::<ItemBody>(), ItemBody);
body!(/** An item with its mass. */ ItemView, view::<ItemBody>(false, Some(object(ItemMass::schema()))), ItemBody, ItemMass);
list_body!(/** A page of items. */ ItemList, ItemView);

body!(/** A scale to make. */ CreateScale, create::<ScaleBody>(), ScaleBody);
body!(/** Changes to a scale. */ UpdateScale, update::<ScaleBody>(), ScaleBody);
body!(/** A scale. */ ScaleView, view::<ScaleBody>(false, None), ScaleBody);
list_body!(/** A page of scales. */ ScaleList, ScaleView);

body!(/** A sitting to make. */ CreateSitting, create::<SittingBody>(), SittingBody);
body!(/** Changes to a sitting. */ UpdateSitting, update::<SittingBody>(), SittingBody);
body!(/** A sitting. */ SittingView, view::<SittingBody>(false, None), SittingBody);
list_body!(/** A page of sittings. */ SittingList, SittingView);

body!(/** A check reading to append. */ CreateCheckReading, create::<CheckReadingBody>(), CheckReadingBody);
body!(/** A check reading. */ CheckReadingView, view::<CheckReadingBody>(true, None), CheckReadingBody);
list_body!(/** A page of check readings. */ CheckReadingList, CheckReadingView);

body!(/** A weighing to append. */ CreateWeighing, create::<WeighingBody>(), WeighingBody);
body!(/** A weighing. */ WeighingView, view::<WeighingBody>(true, None), WeighingBody);
list_body!(/** A page of weighings. */ WeighingList, WeighingView);
