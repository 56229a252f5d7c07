if(
      {day} <= $fine_until,
      (2 * {day} + $grid) // (2 * $grid) * $grid,
      $fine_until + (2 * ({day} - $fine_until) + $coarse) // (2 * $coarse) * $coarse
    )
