-- The contact nearest to the due day that answers the item speaks; the earlier of two equally near. Contacts after
    -- a further session tell of both sessions, so they are not used.
    arg_min({positive}, abs(day - {due}) * 2 + (day > {due})::integer) filter ({answered} and {within}) as {name}
